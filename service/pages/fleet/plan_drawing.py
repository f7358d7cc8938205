"""The fleet plan as a drawing: a row a vehicle, its risk as the weeks pass, the chosen week marked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.core.translation import _
from service.decisions.fleet.schemas import FleetPlanAnswer
from service.pages.drawing import STRIP, WIDTH, Spot

LEFT: Final = 116.0
RIGHT: Final = 396.0
TOP: Final = STRIP + 44
ROW: Final = 24.0
MOST_ROWS: Final = 24
"""Vehicles drawn: those with a week first, then those that would save most; all of them stand in the lists."""

MOST_NUMBERED: Final = 8
"""Weeks up to which every square has room for its number."""

PALEST: Final = 0.04
DARKEST: Final = 0.44
"""How much colour no risk and certainty get: words can be read on both."""


@dataclass(frozen=True)
class Square:
    """One vehicle in one week: how likely its fault is back by the end of it."""

    x: float
    shade: float
    words: str
    chosen: bool
    after: bool


@dataclass(frozen=True)
class VehicleRow:
    """One vehicle."""

    y: float
    name: str
    squares: tuple[Square, ...]
    spot: Spot


@dataclass(frozen=True)
class PlanDrawing:
    """Everything the template draws."""

    rows: tuple[VehicleRow, ...]
    weeks: tuple[tuple[float, str, str], ...]
    side: float
    bottom: float
    height: float
    left_out: int
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    row: float = ROW
    width: float = WIDTH


def plan_drawing(plan: FleetPlanAnswer) -> PlanDrawing:
    """Lay out a plan."""
    vehicles: list[tuple[str, list[float], int | None]] = [
        (one.vehicle_id or one.pack_id, one.risk, week.week) for week in plan.weeks for one in week.planned
    ]
    vehicles += [(one.vehicle_id or one.pack_id, one.risk, None) for one in plan.left]
    shown = vehicles[:MOST_ROWS]
    side = (RIGHT - LEFT) / len(plan.weeks)
    bottom = TOP + ROW * len(shown)
    every = -(-len(plan.weeks) // MOST_NUMBERED)
    return PlanDrawing(
        rows=tuple(
            _row(TOP + ROW * place, *vehicle, side, every, len(plan.weeks)) for place, vehicle in enumerate(shown)
        ),
        weeks=tuple(
            (
                round(LEFT + side * (number + 0.5), 1),
                str(week.week) if number % every == 0 else "",
                f"{len(week.planned)}/{week.slots}" if every == 1 else "",
            )
            for number, week in enumerate(plan.weeks)
        ),
        side=round(side, 2),
        bottom=bottom,
        height=bottom + 24,
        left_out=plan.vehicles - len(shown),
    )


def of_100(chance: float) -> int:
    """Count how many of 100 such are back, rounded up as `models.base.percents.risk_percent` does."""
    return min(math.ceil(100 * chance - 1e-9), 99 if chance < 1 else 100)


def _row(
    y: float, name: str, risk: Sequence[float], week: int | None, side: float, every: int, weeks: int
) -> VehicleRow:
    said = _("%(name)s: planned for week %(week)s") if week is not None else _("%(name)s: no week")
    told = {"risks": ", ".join(str(of_100(share)) for share in risk[::every]), "every": every}
    by = (
        _("Of 100 such, back week by week: %(risks)s")
        if every == 1
        else _("Of 100 such, back, every %(every)s weeks: %(risks)s")
    )
    if not risk:
        by = _("It is not driven: no chance of a return is told.")
    lines = (said % {"name": name, "week": week}, by % told)
    squares = tuple(
        Square(
            x=round(LEFT + side * place, 1),
            shade=round(PALEST + (DARKEST - PALEST) * (share or 0.0), 3),
            words=str(of_100(share)) if every == 1 and share is not None else "",
            chosen=week == place + 1,
            after=week is not None and place + 1 > week,
        )
        for place, share in enumerate(risk or [None] * weeks)
    )
    return VehicleRow(y, name, squares, Spot(0, y, RIGHT, ROW, lines))
