"""Drawings of forecast against what happened, made on the server from the report's figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from training.report.content import DayFigures, ToldMonth

SIDE: Final = 260.0
LEFT: Final = 44.0
TOP: Final = 12.0
BOTTOM: Final = 40.0
STEP: Final = 56.0


@dataclass(frozen=True)
class Point:
    """A share with its interval.

    Attributes
    ----------
    x, y, low, high : float
        Where it stands.
    """

    x: float
    y: float
    low: float
    high: float


@dataclass(frozen=True)
class AgreementDrawing:
    """Observed against forecast on one day, bin by bin.

    Attributes
    ----------
    day : float
    left, right, top, bottom, width, height : float
    points : tuple of Point
    ticks : tuple of (x, y, percent)
    """

    day: float
    points: tuple[Point, ...]
    ticks: tuple[tuple[float, float, int], ...]
    left: float = LEFT
    right: float = LEFT + SIDE
    top: float = TOP
    bottom: float = TOP + SIDE
    width: float = LEFT + SIDE + 12
    height: float = TOP + SIDE + BOTTOM


def _x(share: float) -> float:
    return round(LEFT + SIDE * share, 1)


def _y(share: float) -> float:
    return round(TOP + SIDE * (1 - share), 1)


def agreement_drawing(day: DayFigures) -> AgreementDrawing:
    """Lay out one day's bins."""
    points = tuple(
        Point(_x(part.forecast), _y(part.observed), _y(part.low), _y(part.high)) for part in day.reliability.bins
    )
    return AgreementDrawing(day.day, points, tuple((_x(p / 100), _y(p / 100), p) for p in (0, 25, 50, 75, 100)))


@dataclass(frozen=True)
class MonthsDrawing:
    """Forecast and observed returns, month by month.

    Attributes
    ----------
    left, right, top, bottom, width, height : float
    months : tuple of (x, name)
    observed : tuple of Point
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
        observed.append(Point(x, _y(month.observed), _y(month.low), _y(month.high)))
        forecast.append((x, _y(month.forecast)))
    if not names:
        return None
    right = LEFT + STEP * len(names)
    shares = tuple((_y(p / 100), p) for p in (0, 25, 50, 75, 100))
    return MonthsDrawing(tuple(names), tuple(observed), tuple(forecast), shares, right=right, width=right + 12)
