"""One reading as a drawing: a bar a block, how far it lies from the pack's median."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from models.packs.history import PackHistory
from models.packs.stops.known import any_volts
from models.physics.imbalance import deviation_v
from service.core.translation import _
from service.pages.drawing import STRIP, WIDTH, Spot, in_round_volts, round_ticks, scale, signed

LEFT: Final = 52
ROOM: Final = 342
"""For all bars together; a bar has a whole share of it, so that all are alike."""

TOP: Final = STRIP + 10
BOTTOM: Final = TOP + 180
MOST_NUMBERED: Final = 16
"""Blocks up to which every bar has room for its number."""

LEAST_REACH_V: Final = 0.02
"""Half the scale of a pack that is level to the last millivolt. Our choice."""


@dataclass(frozen=True)
class BlockBar:
    """One block; `volts` and `off` are None if it was not read."""

    block: int
    volts: float | None
    off: float | None
    x: float
    y: float
    width: float
    height: float
    middle: float
    topped: bool
    named: bool
    spot: Spot


@dataclass(frozen=True)
class Snapshot:
    """Everything the template draws."""

    state: str
    time: datetime
    bars: tuple[BlockBar, ...]
    volts: tuple[tuple[float, str], ...]
    zero: float
    right: float
    left: float = LEFT
    top: float = TOP
    bottom: float = BOTTOM
    height: float = BOTTOM + 56
    width: float = WIDTH


def snapshot_of(history: PackHistory) -> Snapshot | None:
    """Lay out the newest reading, at rest if there is one; None without a reading."""
    readings = [reading for reading in history.readings if any_volts(reading)]
    if not readings:
        return None
    rests = [reading for reading in readings if reading.state == "rest"]
    reading = (rests or readings)[-1]
    off = deviation_v(np.array([[np.nan if v is None else v for v in reading.block_v]]))[0]
    topped = set(history.topups[-1].blocks) if history.topups else set()
    reach = max(LEAST_REACH_V, float(np.nanmax(np.abs(off))))
    ticks = round_ticks(min(0.0, float(np.nanmin(off))) or -reach / 9, max(0.0, float(np.nanmax(off))) or reach / 9, 7)
    place = max(1, ROOM // len(off))
    gap = round(place * 0.15)
    every = 1 if len(off) <= MOST_NUMBERED else 5

    y = scale(ticks[0], ticks[-1], BOTTOM, TOP, 0)
    bars = []
    for number, (volts, away) in enumerate(zip(reading.block_v, off, strict=True)):
        block, left = number + 1, LEFT + place * number
        if volts is None:
            says: tuple[str, ...] = (_("Block %(block)s: not read") % {"block": block},)
        else:
            words = {"block": block, "volts": f"{volts:g}", "off": signed(away)}
            away_words = _("%(off)s V from the median of all") if round(away, 3) else _("at the median of all")
            says = (_("Block %(block)s: %(volts)s V") % words, away_words % words)
        if block in topped:
            says = (says[0] + _(", charged last"), *says[1:])
        tip = y(0.0 if volts is None else float(away))
        bars.append(
            BlockBar(
                block=block,
                volts=volts,
                off=None if volts is None else float(away),
                x=left + gap,
                y=min(tip, y(0.0)),
                width=place - 2 * gap,
                height=abs(tip - y(0.0)),
                middle=left + place // 2,
                topped=block in topped,
                named=block in topped or ((block == 1 or block % every == 0) and not _beside(block, topped, every)),
                spot=Spot(left, TOP, place, BOTTOM - TOP, says),
            )
        )
    volts_at = tuple((y(volts), in_round_volts(volts)) for volts in ticks)
    return Snapshot(reading.state, reading.time, tuple(bars), volts_at, y(0.0), LEFT + place * len(off))


def _beside(block: int, topped: set[int], every: int) -> bool:
    """Whether the number of a block that was charged stands where this one would."""
    return every > 1 and any(abs(block - other) <= every // 2 for other in topped)
