"""Drawings of forecast against what happened, made on the server from the report's figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.core.translation import _
from service.pages.drawing import STRIP, Spot, reaches, scale
from training.report.content import DayFigures, ToldMonth

SIDE: Final = 260.0
LEFT: Final = 44.0
TOP: Final = STRIP + 12
BOTTOM: Final = 40.0
STEP: Final = 66.0

LEAST_WIDTH: Final = LEFT + SIDE + 26
"""So that the strip has room for what is told in it."""


@dataclass(frozen=True)
class Point:
    """A share with its interval.

    Attributes
    ----------
    x, y, low, high : float
        Where it stands.
    spot : Spot
        Which says the share.
    """

    x: float
    y: float
    low: float
    high: float
    spot: Spot


@dataclass(frozen=True)
class AgreementDrawing:
    """Observed against forecast on one day, bin by bin.

    Attributes
    ----------
    ticks : tuple of (x, y, percent)
    """

    day: float
    points: tuple[Point, ...]
    ticks: tuple[tuple[float, float, int], ...]
    left: float = LEFT
    right: float = LEFT + SIDE
    top: float = TOP
    bottom: float = TOP + SIDE
    width: float = LEAST_WIDTH
    height: float = TOP + SIDE + BOTTOM


_x, _y = scale(0, 1, LEFT, LEFT + SIDE), scale(0, 1, TOP + SIDE, TOP)


def _point(x: float, reach: tuple[float, float], forecast: float, observed: float, low: float, high: float) -> Point:
    """Place a share, to be pointed at from where its reach begins, over its width."""
    figures = {name: f"{100 * share:.0f}" for name, share in (("forecast", forecast), ("observed", observed))}
    between = {"low": f"{100 * low:.0f}", "high": f"{100 * high:.0f}"}
    says = (
        _("Of 100, %(forecast)s forecast, %(observed)s back") % figures,
        _("by chance %(low)s to %(high)s") % between,
    )
    begin, width = reach
    spot = Spot(begin, TOP, width, SIDE, says)
    return Point(x, _y(observed), _y(low), _y(high), spot)


def agreement_drawing(day: DayFigures) -> AgreementDrawing:
    """Lay out one day's bins."""
    parts = day.reliability.bins
    places = [_x(part.forecast) for part in parts]
    points = tuple(
        _point(x, reach, part.forecast, part.observed, part.low, part.high)
        for x, reach, part in zip(places, reaches(places, LEFT, LEFT + SIDE), parts, strict=True)
    )
    return AgreementDrawing(day.day, points, tuple((_x(p / 100), _y(p / 100), p) for p in (0, 25, 50, 75, 100)))


@dataclass(frozen=True)
class MonthsDrawing:
    """Forecast and observed returns, month by month.

    Attributes
    ----------
    months : tuple of (x, name)
    forecast : tuple of (x, y)
    shares : tuple of (y, percent)
    """

    months: tuple[tuple[float, str], ...]
    observed: tuple[Point, ...]
    forecast: tuple[tuple[float, float], ...]
    shares: tuple[tuple[float, int], ...]
    right: float
    width: float
    left: float = LEFT
    top: float = TOP
    bottom: float = TOP + SIDE
    height: float = TOP + SIDE + BOTTOM


def months_drawing(months: Sequence[ToldMonth]) -> MonthsDrawing | None:
    """Lay out the months of which enough is known; None if there is none."""
    observed: list[Point] = []
    forecast: list[tuple[float, float]] = []
    names: list[tuple[float, str]] = []
    for month in months:
        if month.forecast is None or month.observed is None or month.low is None or month.high is None:
            continue
        x = round(LEFT + STEP * (len(names) + 0.5), 1)
        names.append((x, month.month))
        reach = (x - STEP / 2, STEP)
        observed.append(_point(x, reach, month.forecast, month.observed, month.low, month.high))
        forecast.append((x, _y(month.forecast)))
    if not names:
        return None
    right = LEFT + STEP * len(names)
    shares = tuple((_y(p / 100), p) for p in (0, 25, 50, 75, 100))
    return MonthsDrawing(
        tuple(names), tuple(observed), tuple(forecast), shares, right=right, width=max(right + 12, LEAST_WIDTH)
    )
