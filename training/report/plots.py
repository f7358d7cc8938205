"""Drawings of the calibration report, as inline SVG that takes its colours and letters from the page."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

from training.plotting.drawing import BAND, INK, MARK, OTHER, SOFT, canvas, svg
from training.report.content import BrierByDay, DayFigures, GroupFigures
from training.scoring import DistributionCalibration
from training.simulation.noise_floor import ForecastLimit

_SHAPES: Final = ("o", "s", "^", "D", "v", "P", "X")
_DASHES: Final[tuple[Any, ...]] = ("--", "-.", ":", (0, (6, 2, 1, 2, 1, 2)), (0, (1, 3)), (0, (8, 3)), (0, (3, 1)))


_drawn_once = lru_cache(maxsize=64)
"""A report is looked at again and again, and to draw it takes most of a second: a few reports' drawings are kept."""


@_drawn_once
def reliability_plot(day: DayFigures, number: int) -> str:
    """Draw observed against forecast return probability on one day: bins with intervals, smooth curve, diagonal."""
    figure, axes = canvas(3.4, 3.4)
    part = day.reliability
    axes.plot([0, 100], [0, 100], color=SOFT, lw=1, ls="--", label="as forecast")
    if day.smooth:
        x = [100 * v for v in day.smooth.forecast]
        axes.fill_between(
            x,
            [100 * v for v in day.smooth.low],
            [100 * v for v in day.smooth.high],
            color=BAND,
            lw=0,
            label="interval of the curve",
        )
        axes.plot(x, [100 * v for v in day.smooth.observed], color=MARK, lw=1.6, label="smooth curve")
    forecast = [100 * b.forecast for b in part.bins]
    observed = [100 * b.observed for b in part.bins]
    reach = [
        [100 * (b.observed - b.low) for b in part.bins],
        [100 * (b.high - b.observed) for b in part.bins],
    ]
    axes.errorbar(
        forecast,
        observed,
        yerr=reach,
        fmt="o",
        ms=4,
        color=INK,
        ecolor=INK,
        elinewidth=1,
        label="rows of like forecast",
    )
    axes.set(xlim=(0, 100), ylim=(0, 100), xlabel="forecast to return, of 100", ylabel="returned, of 100")
    axes.set_aspect("equal")
    axes.legend(loc="upper left", frameon=False, fontsize=8, labelcolor=INK)
    return svg(figure, f"reliability-{number}", f"Returned against forecast by day {day.day:g}")


@_drawn_once
def brier_plot(curves: tuple[BrierByDay, ...], limit: ForecastLimit | None = None) -> str:
    """Draw squared error by day, one line a forecast, told apart by dashes and marks as well as by colour."""
    figure, axes = canvas(5.2, 3.2)
    others = 0
    for curve in curves:
        days, score = curve.score.days, curve.score.score
        if curve.role == "model":
            axes.plot(days, score, color=MARK, lw=2.2, label=curve.name, zorder=3)
            continue
        style, shape = _DASHES[others % len(_DASHES)], _SHAPES[others % len(_SHAPES)]
        others += 1
        axes.plot(days, score, color=OTHER, lw=1.2, ls=style, marker=shape, ms=3.5, markevery=3, label=curve.name)
    if limit is not None:
        axes.plot(limit.days, limit.error, color=SOFT, lw=1.2, ls=":", label="limit")
    axes.set(xlabel="days after the origin", ylabel="mean squared error")
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    axes.legend(frameon=False, fontsize=8, labelcolor=INK)
    return svg(figure, "brier", "Mean squared error by day, this model and others")


@_drawn_once
def distribution_plot(found: DistributionCalibration) -> str:
    """Draw the share of outcomes in each tenth of the forecast distribution."""
    figure, axes = canvas(4.8, 2.8)
    bins = len(found.shares)
    middles = [(k + 0.5) / bins for k in range(bins)]
    axes.bar(middles, [100 * s for s in found.shares], width=0.86 / bins, color=BAND, edgecolor=MARK, lw=1)
    axes.axhline(100 / bins, color=INK, lw=1, ls="--")
    axes.set(xlim=(0, 1), xlabel="forecast hold probability at the outcome", ylabel="of 100 rows")
    return svg(figure, "distribution", "Share of outcomes in each tenth of the forecast distribution")


@_drawn_once
def gap_plot(groups: tuple[GroupFigures, ...], day: float, number: int) -> str:
    """Draw observed less forecast returns by one day, one line a group."""
    from matplotlib.ticker import MaxNLocator

    found = [(group.name, part.reliability.overall) for group in groups for part in group.days if part.day == day]
    figure, axes = canvas(4.8, 0.9 + 0.26 * len(found))
    places = list(range(len(found), 0, -1))
    gaps = [100 * part.gap for _, part in found]
    reach = [
        [100 * (part.observed - part.low) for _, part in found],
        [100 * (part.high - part.observed) for _, part in found],
    ]
    axes.axvline(0, color=SOFT, lw=1, ls="--")
    axes.errorbar(gaps, places, xerr=reach, fmt="o", ms=4, color=MARK, ecolor=MARK, elinewidth=1.2)
    axes.set_yticks(places, [name for name, _ in found])
    axes.set(ylim=(0.3, len(found) + 0.7), xlabel="returned less forecast, of 100")
    axes.xaxis.set_major_locator(MaxNLocator(6))
    return svg(figure, f"gap-{number}", f"Returned less forecast by day {day:g}, by group")
