"""Days gained or lost under each plan, as a drawing: a mark and its range on one scale of days."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.core.translation import _
from service.forecasting.forecasts.sentences import about_days
from service.forecasting.what_if.schemas import PlanAnswer, WhatIfAnswer
from service.pages.drawing import STRIP, Spot, round_ticks, scale

WIDTH: Final = 400
ROW: Final = 46
TOP, BOTTOM, SIDE = int(STRIP) + 8, 34, 14


@dataclass(frozen=True)
class GainRow:
    """One plan: its place, its range, its words."""

    y: float
    x: float
    low: float
    high: float
    words: str
    told: bool
    spot: Spot


@dataclass(frozen=True)
class Gains:
    """Everything the template draws."""

    rows: tuple[GainRow, ...]
    zero: float
    ticks: tuple[tuple[float, float], ...]
    height: int
    bottom: int
    top: int = TOP
    width: int = WIDTH


def gains_of(answer: WhatIfAnswer) -> Gains:
    """Lay out the days gained over the present plan."""
    others = [plan for plan in answer.plans if plan.verdict != "as planned"]
    ticks = round_ticks(
        min(0.0, *(plan.gained_low for plan in others)), max(1.0, *(plan.gained_high for plan in others)), 9
    )
    x = scale(ticks[0], ticks[-1], SIDE, WIDTH - SIDE)
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
                spot=Spot(0, TOP + ROW * place, WIDTH, ROW, _says(plan)),
            )
            for place, plan in enumerate(others)
        ),
        zero=x(0),
        ticks=tuple((x(day), day) for day in ticks),
        height=bottom + BOTTOM,
        bottom=bottom,
    )


def _says(plan: PlanAnswer) -> tuple[str, str]:
    """Tell a plan's gain and its range in two short lines."""
    gained = (_("%(plan)s: %(days)s longer") if plan.gained_days >= 0 else _("%(plan)s: %(days)s shorter")) % {
        "plan": _(plan.plan.name),
        "days": about_days(plan.gained_days),
    }
    low, high = (
        f"{days:+.0f}".replace("-", "−").replace("+0", "0").replace("−0", "0")
        for days in (plan.gained_low, plan.gained_high)
    )
    return gained, _("days gained: %(low)s to %(high)s") % {"low": low, "high": high}
