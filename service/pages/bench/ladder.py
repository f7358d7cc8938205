"""The recheck as a ladder: what the block reads on one axis, how long the pack is then good for on the other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from service.core.translation import _
from service.forecasting.recheck.schemas import ReadingRow, RecheckAnswer
from service.pages.bench.recheck_words import recheck_row
from service.pages.drawing import STRIP, WIDTH, Spot, round_ticks, scale

LEFT: Final = 92.0
RIGHT: Final = 386.0
TOP: Final = STRIP + 12
RUNG: Final = 34.0
LEAST_SHOWN: Final = 3.0
"""Length of a rung of no days at all, so that it is seen."""


@dataclass(frozen=True)
class Rung:
    """One span of readings and what it means."""

    spot: Spot
    y: float
    height: float
    length: float
    words: str
    words_x: float
    inside: bool
    stop: bool


@dataclass(frozen=True)
class Ladder:
    """Everything the template draws; the best reading stands highest."""

    rungs: tuple[Rung, ...]
    edges: tuple[tuple[float, str], ...]
    days: tuple[tuple[float, str], ...]
    bottom: float
    height: float
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    width: float = WIDTH


def ladder_of(answer: RecheckAnswer) -> Ladder | None:
    """Lay out the table of a recheck plan; None without a day."""
    if not answer.table:
        return None
    ticks = round_ticks(0.0, max(1.0, *(row.good_for_days for row in answer.table if not row.stop), 0.0), 6)

    x = scale(0, ticks[-1], LEFT, RIGHT)
    bottom = TOP + RUNG * len(answer.table)
    return Ladder(
        rungs=tuple(
            _rung(row, TOP + RUNG * place, x(0 if row.stop else math.floor(row.good_for_days)))
            for place, row in enumerate(answer.table)
        ),
        edges=tuple((TOP + RUNG * (place + 1), _edge(row.high_mv)) for place, row in enumerate(answer.table[:-1])),
        days=tuple((x(day), f"{day:g}") for day in ticks),
        bottom=bottom,
        height=bottom + 40,
    )


def _edge(below_mv: float | None) -> str:
    """Write the edge of a span as a reading above (+) or below (−) the median."""
    if below_mv is None:
        return ""
    return "0 mV" if not below_mv else f"{-below_mv:+g} mV".replace("-", "−")


def _rung(row: ReadingRow, y: float, end: float) -> Rung:
    said = recheck_row(row)
    count = {"count": said.of_100, "share": said.fortnight}
    inside = end > (LEFT + RIGHT) / 2
    return Rung(
        spot=Spot(
            LEFT,
            y,
            RIGHT - LEFT,
            RUNG,
            (
                f"{said.reads}: {said.good_for}",  # one line of a telephone; the axis says that the days are good ones
                _("such a reading forbids it, or none of the simulated packs read so")
                if row.return_14 is None
                else _("%(share)s back in two weeks; %(count)s of 100 packs read so") % count,
            ),
        ),
        y=y + 5,
        height=RUNG - 10,
        length=max(end - LEFT, LEAST_SHOWN),
        words=said.good_for,
        words_x=end - 8 if inside else max(end, LEFT + LEAST_SHOWN) + 8,
        inside=inside,
        stop=row.stop,
    )
