"""A log as workshops have them, and how it must come out of a file. All invented.

A pack of 14 blocks at rest, then driven, one reading a minute.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

AZORES = "Atlantic/Azores"
PACK = "MB-VAN-07"
BLOCKS = 14
CURRENTS = (0.0, 0.0, 18.5, 42.25, 30.0, -12.5, -20.75, 0.0, 25.5, 10.0, 55.0, -8.25)
"""A, discharge positive. The third zero is a crossing while driving, no rest."""
STATES = ("rest", "rest", *("discharge",) * 3, "charge", "charge", *("discharge",) * 4, "charge")
BEGAN = datetime(2026, 1, 25, 13, 5, tzinfo=UTC)


@dataclass(frozen=True)
class Told:
    """One reading as it must come out."""

    time: datetime
    state: str
    current_a: float | None
    temperature_c: float | None
    block_v: tuple[float | None, ...]
    pack_id: str = PACK
    soc_pct: float | None = None
    spread_v: float | None = None
    resistance_mohm: tuple[float | None, ...] | None = None
    code: str | None = None
    code_state: str | None = None


def volts(current: float) -> tuple[float, ...]:
    return tuple(round(13.2 + 0.013 * block - 0.021 * current, 3) for block in range(BLOCKS))


def log(began: datetime = BEGAN, *, states: bool = True, every: timedelta = timedelta(minutes=1)) -> list[Told]:
    return [
        Told(began + place * every, STATES[place] if states else "rest", amps, 21.5 + 0.5 * place, volts(amps))
        for place, amps in enumerate(CURRENTS)
    ]


LOG = log()


def local(moment: datetime, pattern: str) -> str:
    return moment.astimezone(ZoneInfo(AZORES)).strftime(pattern)


def naive(moment: datetime) -> datetime:
    return moment.astimezone(ZoneInfo(AZORES)).replace(tzinfo=None)


def changed(told: list[Told], **fields: Any) -> list[Told]:
    return [Told(**{**t.__dict__, **fields}) for t in told]


def with_gaps() -> list[Told]:
    return [
        Told(t.time, t.state, t.current_a, t.temperature_c, (None, *t.block_v[1:])) if place in (3, 7) else t
        for place, t in enumerate(LOG)
    ]


FALLBACK = log(datetime(2026, 10, 24, 23, 30, tzinfo=UTC), every=timedelta(minutes=10))
"""IANA time zone database: on 25 October 2026 the Azores turned their clocks from 01:00 back to 00:00, at 01:00 UTC."""
DAY_FIRST = log(datetime(2026, 3, 2, 9, 0, tzinfo=UTC))
REST = [Told(t.time, "rest", None, None, volts(0.0)) for t in LOG]
NO_WARMTH = changed(LOG, temperature_c=None)

OHMS = tuple(21.0 + 0.25 * block for block in range(BLOCKS))
SLOWER = [Told(t.time + timedelta(seconds=20), *(list(t.__dict__.values())[1:])) for t in LOG]
