"""Days gained or lost under each plan, as a drawing: a mark and its range on one scale of days."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.core.translation import _
from service.forecasting.what_if.schemas import WhatIfAnswer

WIDTH: Final = 400
ROW: Final = 46
TOP, BOTTOM, SIDE = 8, 34, 14


@dataclass(frozen=True)
class GainRow:
    """One plan: its place, its range, its words."""

    y: float
    x: float
    low: float
    high: float
    words: str
    told: bool


@dataclass(frozen=True)
class Gains:
    """Everything the template draws."""

    rows: tuple[GainRow, ...]
    zero: float
    ticks: tuple[tuple[float, int], ...]
    height: int
    bottom: int
    width: int = WIDTH


def gains_of(answer: WhatIfAnswer) -> Gains:
    """Lay out the days gained over the present plan."""
    others = [plan for plan in answer.plans if plan.verdict != "as planned"]
    low = min(0.0, *(plan.gained_low for plan in others))
    high = max(1.0, *(plan.gained_high for plan in others))

    def x(days: float) -> float:
        return round(SIDE + (days - low) / (high - low) * (WIDTH - 2 * SIDE), 1)

    step = next(s for s in (1, 2, 5, 10, 20, 50) if (high - low) / s <= 8)
    bottom = TOP + ROW * len(others)
    return Gains(
        rows=tuple(
            GainRow(
                y=TOP + ROW * place + 34,
                x=x(plan.gained_days),
                low=x(plan.gained_low),
                high=x(plan.gained_high),
                words=_(plan.plan.name),
                told=plan.verdict != "cannot tell",
            )
            for place, plan in enumerate(others)
        ),
        zero=x(0),
        ticks=tuple((x(day), int(day)) for day in np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step),
        height=bottom + BOTTOM,
        bottom=bottom,
    )
