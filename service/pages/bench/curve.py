"""The hold curve as a drawing for the page: made here, styled by classes, told in words as well."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from models.packs.tables import SECONDS_PER_DAY
from service.core.dates import in_words
from service.core.translation import _
from service.forecasting.forecasts.schemas import ForecastAnswer
from service.forecasting.forecasts.sentences import count_days, promised_days
from service.pages.drawing import Spot, reaches, scale

WIDTH: Final = 400
LEFT, RIGHT, TOP, BOTTOM = 48, 10, 66, 40
HEIGHT: Final = 330
"""Drawn for the width of a telephone, so that its words can be read there."""

SPANS: Final = (14, 30, 60, 90)
TOLD_DAYS: Final = (1, 3, 5, 7, 10, 14, 21, 30, 42, 60, 90)
"""Days whose figures are told, in the drawing and in the table."""

LITTLE: Final = 0.06
"""The drawing ends where the share still holding has come down to this, if it does."""

ROW: Final = 18


@dataclass(frozen=True)
class Mark:
    """An upright line with its words above the drawing.

    Attributes
    ----------
    kind : str
        Class of the line.
    anchor : {"start", "middle", "end"}
    """

    kind: str
    x: float
    row_y: float
    words: str
    anchor: str


@dataclass(frozen=True)
class Curve:
    """Everything the template draws; lengths in the drawing's own units."""

    line: str
    band: str
    held: tuple[float, float] | None
    marks: tuple[Mark, ...]
    days: tuple[tuple[float, int], ...]
    shares: tuple[tuple[float, str], ...]
    half: tuple[float, float] | None
    title: str
    from_words: str
    rows: tuple[tuple[int, float, float, float], ...]
    spots: tuple[tuple[Spot, float, float], ...]
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT
    top: int = TOP
    bottom: int = HEIGHT - BOTTOM


def curve_if_told(forecast: ForecastAnswer | None, now: datetime, zone: ZoneInfo) -> Curve | None:
    """Lay out the hold curve as `curve_of` does; None without a forecast, or where its days are withheld."""
    return None if forecast is None or forecast.withheld_by else curve_of(forecast, now, zone)


def curve_of(forecast: ForecastAnswer, now: datetime, zone: ZoneInfo) -> Curve:
    """Lay out the hold curve of a forecast, days counting from its origin; today is marked if it lies on it."""
    days = np.array(forecast.days)
    promised = promised_days(forecast)
    wait = None if forecast.until_replacement is None else forecast.until_replacement.days
    last = _span(forecast, max(promised * 1.3, wait or 0))
    before = min(float(forecast.days_held), last / 4) if forecast.days_held >= 1 else 0.0

    x, y = scale(-before, last, LEFT, WIDTH - RIGHT), scale(0, 1, HEIGHT - BOTTOM, TOP)
    shown = days <= last
    at = days[shown]

    def points(shares: Sequence[float]) -> list[str]:
        return [f"{x(day)},{y(share)}" for day, share in zip(at, np.array(shares)[shown], strict=True)]

    low, high = points(forecast.band_low), points(forecast.band_high)
    half = next((point.day for point in forecast.return_days if point.returned == 0.5), None)
    today = (now - forecast.origin).total_seconds() / SECONDS_PER_DAY
    marks = [("today", today, _("today"))] if 0 <= today <= last else []
    if promised >= 1:
        marks.append(("promise", promised, _("good for %(days)s") % {"days": count_days(promised)}))
    if wait is not None:
        marks.append(("arrival", wait, _("replacement, day %(day)s") % {"day": f"{wait:g}"}))
    told = [
        (int(day), float(middle), float(one), float(other))
        for day, middle, one, other in zip(
            forecast.days, forecast.survival, forecast.band_low, forecast.band_high, strict=True
        )
        if day in TOLD_DAYS
    ]
    step = {14: 2, 30: 5, 60: 10, 90: 15}[last]
    return Curve(
        line=" ".join(points(forecast.survival)),
        band=" ".join(low + high[::-1]),
        held=(x(-before), x(0)) if before else None,
        marks=tuple(_mark(kind, x(day), row, words) for row, (kind, day, words) in enumerate(marks)),
        days=tuple((x(day), day) for day in range(0, last + 1, step)),
        shares=tuple((y(share / 100), f"{share}%") for share in (0, 25, 50, 75, 100)),
        half=(x(half), y(0.5)) if half is not None and half <= last else None,
        from_words=_("days from %(moment)s") % {"moment": in_words(forecast.origin, zone)},
        title=_("Share of such packs still holding, by day"),
        rows=tuple(told),
        spots=tuple(_spots([row for row in told if row[0] <= last], x, y)),
    )


def _spots(
    rows: Sequence[tuple[int, float, float, float]], x: Callable[[float], float], y: Callable[[float], float]
) -> Iterator[tuple[Spot, float, float]]:
    """Let each day of the table be pointed at."""
    at = [x(row[0]) for row in rows]
    for (day, middle, one, other), (begin, width) in zip(rows, reaches(at, x(0), at[-1]), strict=True):
        figures = {"day": day, "hold": f"{100 * middle:.0f}", "low": f"{100 * one:.0f}", "high": f"{100 * other:.0f}"}
        words = (
            _("Day %(day)s: %(hold)s of 100 still hold") % figures,
            _("unsure between %(low)s and %(high)s") % figures,
        )
        yield Spot(begin, TOP, width, HEIGHT - TOP - BOTTOM, words), x(day), y(middle)


def _span(forecast: ForecastAnswer, needed: float) -> int:
    for span in SPANS:
        if span >= needed and float(np.interp(span, forecast.days, forecast.survival)) <= LITTLE:
            return span
    return SPANS[-1]


def _mark(kind: str, x: float, row: int, words: str) -> Mark:
    middle = (LEFT + WIDTH) / 2
    anchor = "start" if x < middle else "end"
    return Mark(kind, x, 14 + row * ROW, words, anchor)
