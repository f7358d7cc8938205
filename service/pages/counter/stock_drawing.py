"""Expected cost by the number of packs on the shelf, as a drawing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.core.translation import _, ngettext
from service.decisions.stock.schemas import StockAnswer, StockLevel
from service.pages.asking import whole_money
from service.pages.drawing import STRIP, WIDTH, Spot, round_ticks, scale

LEFT: Final = 90.0
RIGHT: Final = 388.0
TOP: Final = STRIP + 28
BOTTOM: Final = TOP + 170


@dataclass(frozen=True)
class LevelBar:
    """One number of packs."""

    x: float
    width: float
    y: float
    middle: float
    packs: int
    held: bool
    spot: Spot


@dataclass(frozen=True)
class StockDrawing:
    """Everything the template draws."""

    bars: tuple[LevelBar, ...]
    amounts: tuple[tuple[float, str], ...]
    left: float = LEFT
    right: float = RIGHT
    bottom: float = BOTTOM
    height: float = BOTTOM + 40
    width: float = WIDTH


def stock_drawing(answer: StockAnswer) -> StockDrawing:
    """Lay out the levels."""
    ticks = round_ticks(0.0, max(1.0, *(level.cost for level in answer.levels), 0.0), 6)
    place = (RIGHT - LEFT) / len(answer.levels)

    y = scale(0.0, ticks[-1], BOTTOM, TOP)

    def bar(number: int, level: StockLevel) -> LevelBar:
        left = LEFT + place * number
        words = {"num": level.packs, "cost": whole_money(level.cost, answer.currency)}
        more = {"covers": f"{100 * level.covers:.0f}", "short": f"{level.shortage:.1f}", "left": f"{level.surplus:.1f}"}
        return LevelBar(
            x=round(left + place * 0.2, 1),
            width=round(place * 0.6, 1),
            y=y(level.cost),
            middle=round(left + place / 2, 1),
            packs=level.packs,
            held=level.packs == answer.hold,
            spot=Spot(
                round(left, 1),
                TOP - 20,
                round(place, 1),
                BOTTOM - TOP + 20,
                (
                    ngettext("%(num)s pack: %(cost)s expected", "%(num)s packs: %(cost)s expected", level.packs)
                    % words,
                    _("enough in %(covers)s of 100; %(short)s too few, %(left)s left over") % more,
                ),
            ),
        )

    return StockDrawing(
        bars=tuple(bar(number, level) for number, level in enumerate(answer.levels)),
        amounts=tuple((y(cost), whole_money(cost, answer.currency)) for cost in ticks),
    )
