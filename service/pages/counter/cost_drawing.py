"""Expected cost by the day of the order, a line for each offer, as a drawing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from models.base.percents import risk_percent
from service.core.translation import _
from service.decisions.ordering.schemas import OrdersAnswer
from service.pages.asking import whole_money
from service.pages.drawing import WIDTH, Spot, reaches, round_ticks, scale

DRAWN_DAYS: Final = 42
"""Order days drawn: what lies further off can be asked again."""

TOLD_DAYS: Final = (0, 1, 2, 3, 4, 5, 7, 10, 14, 21, 28, 35, 42)
"""Days whose figures are told, in the drawing and in the table."""

STYLES: Final = 4
"""Kinds of line and of mark; further offers begin again with the first line and the next mark."""

MARKED_EVERY: Final = 12
"""Days between two marks of a line. Those of different lines stand on different days, so that none covers another."""

LEFT: Final = 90.0
RIGHT: Final = 388.0
LINE_HEIGHT: Final = 18.0


@dataclass(frozen=True)
class CostLine:
    """One offer's expected cost by order day: its line, and marks along it."""

    name: str
    points: str
    style: int
    shape: int
    marks: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class CostDrawing:
    """Expected cost by order day.

    Attributes
    ----------
    amounts : list of (y, words)
    days : list of (x, day)
    spots : list of (Spot, x)
        One for each day of `TOLD_DAYS`.
    strip : float
        Height of what is told above the drawing.
    """

    lines: list[CostLine]
    amounts: list[tuple[float, str]]
    days: list[tuple[float, int]]
    spots: list[tuple[Spot, float]]
    strip: float
    top: float
    bottom: float
    height: float
    left: float = LEFT
    right: float = RIGHT
    width: float = WIDTH


def cost_drawing(answer: OrdersAnswer) -> CostDrawing:
    """Lay out the lines of expected cost."""
    offers, names = answer.offers, [offer.name for offer in answer.offers]
    costs = [offer.cost_at_most[: DRAWN_DAYS + 1] for offer in offers]
    least, most = min(map(min, costs)), max(map(max, costs))
    ticks = round_ticks(least, max(most, least + 1.0), 6)
    strip = LINE_HEIGHT * (len(offers) + 1) + 6
    top = strip + 10
    bottom = top + 210

    x, y = scale(0, DRAWN_DAYS, LEFT, RIGHT), scale(ticks[0], ticks[-1], bottom, top)

    lines = []
    for place, (_offer, cost) in enumerate(zip(offers, costs, strict=True)):
        first = 2 + MARKED_EVERY * place // len(offers)
        marked = range(first, DRAWN_DAYS + 1, MARKED_EVERY)
        lines.append(
            CostLine(
                name=names[place],
                points=" ".join(f"{x(day)},{y(value)}" for day, value in enumerate(cost)),
                style=place % STYLES,
                shape=(place + place // STYLES) % STYLES,
                marks=tuple((x(day), y(cost[day])) for day in marked if day < len(cost)),
            )
        )
    told = [x(day) for day in TOLD_DAYS]
    spots = []
    for day, at, (begin, width) in zip(TOLD_DAYS, told, reaches(told, x(-0.5), x(DRAWN_DAYS + 0.5)), strict=True):
        said = [
            _("%(name)s: %(cost)s, risk %(risk)s")
            % {
                "name": name,
                "cost": whole_money(offer.cost_at_most[day], answer.currency),
                "risk": _(risk_percent(offer.fault_first[day])),
            }
            for name, offer in zip(names, offers, strict=True)
        ]
        words = _("Ordered today") if day == 0 else _("Ordered on day %(day)s") % {"day": day}
        spots.append((Spot(begin, top, width, bottom - top, (words, *said)), at))
    return CostDrawing(
        lines=lines,
        amounts=[(y(amount), whole_money(amount, answer.currency)) for amount in ticks],
        days=[(x(day), day) for day in range(0, DRAWN_DAYS + 1, 7)],
        spots=spots,
        strip=strip,
        top=top,
        bottom=bottom,
        height=bottom + 50,
    )
