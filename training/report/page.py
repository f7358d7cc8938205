"""A calibration report as one HTML page that needs nothing from outside."""

from __future__ import annotations

from typing import Final

from jinja2 import Environment
from markupsafe import Markup

from models.base.percents import level_percent
from training.plotting.page import report_environment
from training.report.content import CalibrationReport, Level
from training.report.plots import brier_plot, distribution_plot, gap_plot, reliability_plot
from training.report.verdicts import rules_in_words

_SIGNS: Final[dict[Level, tuple[str, str]]] = {
    "off": ("✗", "off"),
    "open": ("?", "open"),
    "holds": ("✓", "holds"),
}


def render_html(report: CalibrationReport) -> str:
    """Lay a report out as one self-contained HTML page.

    Returns
    -------
    str
        HTML with its drawings as SVG, its style, and the report's JSON inside; it asks nothing of any host.
    """
    groups = (report.whole, *report.groups)
    return (
        _environment()
        .get_template("report.html")
        .render(
            report=report,
            signs=_SIGNS,
            rules=rules_in_words(report.thresholds),
            reliability_plots=[Markup(reliability_plot(day, k)) for k, day in enumerate(report.whole.days)],  # noqa: S704
            brier=Markup(brier_plot(report.brier_by_day, report.limit)),  # noqa: S704
            distribution=Markup(distribution_plot(report.whole.distribution)),  # noqa: S704
            gap_plots=[Markup(gap_plot(groups, day.day, k)) for k, day in enumerate(report.whole.days)],  # noqa: S704
            groups=groups,
            # "<" cannot end the element early when it is written as an escape, and JSON reads it back as itself.
            data=Markup(report.model_dump_json().replace("<", "\\u003c")),  # noqa: S704
        )
    )


def _environment() -> Environment:
    environment = report_environment("report")
    environment.filters["level_percent"] = level_percent
    environment.filters["per100"] = lambda share: f"{100 * share:.1f}"
    environment.filters["signed100"] = lambda share: f"{100 * share:+.1f}"
    environment.filters["p"] = lambda value: "< 0.001" if value < 0.001 else f"{value:.3f}"
    environment.filters["score"] = lambda value: f"{value:.4f}"
    environment.filters["days"] = lambda value: f"{value:.1f}"
    environment.filters["plain"] = lambda value: f"{value:g}"
    return environment
