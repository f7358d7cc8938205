"""Drawings of the calibration report, as inline SVG that takes its colours and letters from the page."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import Any, Final

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from training.report.content import BrierByDay, DayFigures, GroupFigures
from training.scores import DistributionCalibration

# Stand-ins that the page's colours replace, so that one drawing serves dark, light and paper.
_INK, _SOFT, _MARK, _BAND, _OTHER = "#010101", "#020202", "#030303", "#040404", "#050505"
_ON_PAGE: Final = {
    _INK: "var(--ink)",
    _SOFT: "var(--soft)",
    _MARK: "var(--mark)",
    _BAND: "var(--band)",
    _OTHER: "var(--other)",
}

_SHAPES: Final = ("o", "s", "^", "D", "v", "P", "X")
_DASHES: Final[tuple[Any, ...]] = ("--", "-.", ":", (0, (6, 2, 1, 2, 1, 2)), (0, (1, 3)), (0, (8, 3)), (0, (3, 1)))


def reliability_plot(day: DayFigures, number: int) -> str:
    """Draw observed against forecast return probability on one day: bins with intervals, smooth curve, diagonal."""
    figure, axes = _canvas(3.4, 3.4)
    part = day.reliability
    axes.plot([0, 100], [0, 100], color=_SOFT, lw=1, ls="--", label="as forecast")
    if day.smooth:
        x = [100 * v for v in day.smooth.forecast]
        axes.fill_between(
            x,
            [100 * v for v in day.smooth.low],
            [100 * v for v in day.smooth.high],
            color=_BAND,
            lw=0,
            label="interval of the curve",
        )
        axes.plot(x, [100 * v for v in day.smooth.observed], color=_MARK, lw=1.6, label="smooth curve")
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
        color=_INK,
        ecolor=_INK,
        elinewidth=1,
        label="rows of like forecast",
    )
    axes.set(xlim=(0, 100), ylim=(0, 100), xlabel="forecast to return, of 100", ylabel="returned, of 100")
    axes.set_aspect("equal")
    axes.legend(loc="upper left", frameon=False, fontsize=8, labelcolor=_INK)
    return _svg(figure, f"reliability-{number}", f"Returned against forecast by day {day.day:g}")


def brier_plot(curves: Sequence[BrierByDay]) -> str:
    """Draw squared error by day, one line a forecast, told apart by dashes and marks as well as by colour."""
    figure, axes = _canvas(5.2, 3.2)
    others = 0
    for curve in curves:
        days, score = curve.score.days, curve.score.score
        if curve.role == "model":
            axes.plot(days, score, color=_MARK, lw=2.2, label=curve.name, zorder=3)
            continue
        colour = _SOFT if curve.role == "limit" else _OTHER
        style = ":" if curve.role == "limit" else _DASHES[others % len(_DASHES)]
        shape = None if curve.role == "limit" else _SHAPES[others % len(_SHAPES)]
        others += curve.role == "peer"
        axes.plot(days, score, color=colour, lw=1.2, ls=style, marker=shape, ms=3.5, markevery=3, label=curve.name)
    axes.set(xlabel="days after the origin", ylabel="mean squared error")
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    axes.legend(frameon=False, fontsize=8, labelcolor=_INK)
    return _svg(figure, "brier", "Mean squared error by day, this model and others")


def distribution_plot(found: DistributionCalibration) -> str:
    """Draw the share of outcomes in each tenth of the forecast distribution."""
    figure, axes = _canvas(4.8, 2.8)
    bins = len(found.shares)
    middles = [(k + 0.5) / bins for k in range(bins)]
    axes.bar(middles, [100 * s for s in found.shares], width=0.86 / bins, color=_BAND, edgecolor=_MARK, lw=1)
    axes.axhline(100 / bins, color=_INK, lw=1, ls="--")
    axes.set(xlim=(0, 1), xlabel="forecast hold probability at the outcome", ylabel="of 100 rows")
    return _svg(figure, "distribution", "Share of outcomes in each tenth of the forecast distribution")


def gap_plot(groups: Sequence[GroupFigures], day: float, number: int) -> str:
    """Draw observed less forecast returns by one day, one line a group."""
    found = [(group.name, part.reliability.overall) for group in groups for part in group.days if part.day == day]
    figure, axes = _canvas(4.8, 0.9 + 0.26 * len(found))
    places = list(range(len(found), 0, -1))
    gaps = [100 * part.gap for _, part in found]
    reach = [
        [100 * (part.observed - part.low) for _, part in found],
        [100 * (part.high - part.observed) for _, part in found],
    ]
    axes.axvline(0, color=_SOFT, lw=1, ls="--")
    axes.errorbar(gaps, places, xerr=reach, fmt="o", ms=4, color=_MARK, ecolor=_MARK, elinewidth=1.2)
    axes.set_yticks(places, [name for name, _ in found])
    axes.set(ylim=(0.3, len(found) + 0.7), xlabel="returned less forecast, of 100")
    axes.xaxis.set_major_locator(MaxNLocator(6))
    return _svg(figure, f"gap-{number}", f"Returned less forecast by day {day:g}, by group")


def _canvas(width_in: float, height_in: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasSVG(figure)
    figure.patch.set_alpha(0)
    axes = figure.add_subplot()
    axes.patch.set_alpha(0)
    axes.tick_params(colors=_INK, labelsize=8)
    axes.xaxis.label.set_color(_INK)
    axes.yaxis.label.set_color(_INK)
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(_SOFT)
    return figure, axes


def _svg(figure: Figure, name: str, title: str) -> str:
    buffer = io.StringIO()
    # Letters stay letters (searchable, in the page's own face), and equal figures give equal text.
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": name}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", text)
    text = text.replace("xlink:href=", "href=")
    # Several drawings share one page: names inside each must be its own.
    text = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{name}-\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
    text = re.sub(r"font: ([\d.]+)px [^;\"]*", r"font-size: \1px", text)
    for stand_in, colour in _ON_PAGE.items():
        text = text.replace(stand_in, colour)
    width = re.search(r'width="([\d.]+)pt"', text)
    limit = f"max-width:{float(width.group(1)) * 96 / 72:.0f}px" if width else ""
    text = re.sub(r'\s(width|height)="[\d.]+pt"', "", text)
    return text.replace("<svg", f'<svg role="img" aria-label="{title}" style="{limit}"', 1).strip()
