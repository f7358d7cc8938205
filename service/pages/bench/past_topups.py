"""Past top-ups of a pack with how long each held, as a drawing and as a table."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from models.forecasts.last_seen import REFUSE_AFTER_DAYS
from models.packs.history import PackHistory
from models.packs.tables import SECONDS_PER_DAY
from service.core.dates import day_in_words
from service.core.translation import _, ngettext
from service.forecasting.forecasts.sentences import count_days
from service.pages.drawing import STRIP, WIDTH, Spot, round_ticks
from service.pages.wording import outcome_words

LEFT: Final = 10.0
RIGHT: Final = 384.0
TOP: Final = STRIP + 8
ROW: Final = 44.0
MOST: Final = 12
"""Top-ups drawn, the newest first."""

AGAIN: Final = "again"
OUT: Final = "out"
SILENT: Final = "silent"
"""Out, but nobody has heard of it for so long that nothing is told of it any more (`REFUSE_AFTER_DAYS`)."""


@dataclass(frozen=True)
class PastTopUp:
    """One top-up.

    Attributes
    ----------
    day, blocks, held, became : str
        In words.
    end : str
        What ended it: a kind of outcome, `AGAIN`, `OUT` or `SILENT`.
    """

    day: str
    blocks: str
    held: str
    became: str
    end: str
    y: float
    length: float
    spot: Spot


@dataclass(frozen=True)
class PastTopUps:
    """Everything the template draws."""

    topups: tuple[PastTopUp, ...]
    days: tuple[tuple[float, str], ...]
    left_out: int
    bottom: float
    height: float
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    width: float = WIDTH


def past_topups(history: PackHistory, now: datetime, zone: ZoneInfo) -> PastTopUps | None:
    """Lay out the top-ups of a pack; None without any."""
    if not history.topups:
        return None
    ends = [_end_of(history, number, now) for number in range(len(history.topups))]
    held = [max((end - topup.time).total_seconds() / SECONDS_PER_DAY, 0.0)
            for topup, (end, _kind) in zip(history.topups, ends, strict=True)]  # fmt: skip
    shown = list(range(len(ends)))[-MOST:][::-1]
    ticks = round_ticks(0.0, max(1.0, *(held[number] for number in shown), 0.0), 6)
    told = []
    for place, number in enumerate(shown):
        topup, kind, y = history.topups[number], ends[number][1], TOP + ROW * place
        day, days = day_in_words(topup.time, zone), _days(held[number])
        blocks = ", ".join(map(str, topup.blocks))
        which = ngettext("block %(blocks)s", "blocks %(blocks)s", len(topup.blocks)) % {"blocks": blocks}
        became = _became()[kind]
        spot = Spot(0, y, WIDTH, ROW, (f"{day}, {which}", f"{days}: {became[:1].lower()}{became[1:]}"))
        length = round((RIGHT - LEFT) * held[number] / ticks[-1], 1)
        told.append(PastTopUp(day, blocks, days, became, kind, y, length, spot))
    bottom = TOP + ROW * len(told)
    return PastTopUps(
        topups=tuple(told),
        days=tuple((round(LEFT + (RIGHT - LEFT) * day / ticks[-1], 1), f"{day:g}") for day in ticks),
        left_out=len(ends) - len(shown),
        bottom=bottom,
        height=bottom + 40,
    )


def _days(held: float) -> str:
    return count_days(held) if held >= 1 else _("less than a day")


def _became() -> dict[str, str]:
    return outcome_words() | {
        AGAIN: _("topped up again, no outcome recorded"),
        OUT: _("held so far, still out"),
        SILENT: _("still held when last seen"),
    }


def _end_of(history: PackHistory, number: int, now: datetime) -> tuple[datetime, str]:
    """Return when a top-up ended, and how."""
    begun = history.topups[number].time
    following = history.topups[number + 1].time if number + 1 < len(history.topups) else None
    for outcome in history.outcomes:
        if outcome.kind != "running" and outcome.time >= begun and (following is None or outcome.time <= following):
            return outcome.time, outcome.kind
    if following is not None:
        return following, AGAIN
    seen = max([history.seen_at(now) or begun, *(o.time for o in history.outcomes if begun <= o.time <= now)])
    return (now, OUT) if now - seen <= timedelta(days=REFUSE_AFTER_DAYS) else (seen, SILENT)
