"""The evidence page of the simulation as one HTML file that needs nothing from outside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Final

import numpy as np
from jinja2 import Environment
from markupsafe import Markup

from models.base.errors import BadInput
from models.base.percents import percent
from training.cohort_report.content import (
    FEWEST,
    LEVEL_SHARE,
    SEASONS,
    condition_rows,
    hold_table,
    hysteresis_trap,
    kind_curves,
    season_rows,
    worked_example,
)
from training.cohort_report.plots import curves_plot, example_plot, trap_plot, truth_plot
from training.files.families import load_families
from training.plotting.page import report_environment
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.meters import MeterQuality
from training.simulation.places import PLACES
from training.simulation.population import CONDITION_SHARES
from training.simulation.priors import FIXED, PRIORS
from training.simulation.workshop import WorkshopHabits

FILE_NAME: Final = "simulation.html"
FEWEST_PACKS: Final = 500
MOST_PACKS: Final = 50_000
"""The page needs groups large enough to speak of, and keeps every hidden state in memory."""

TRAP_FAMILY: Final = "marl-28"


def build_cohort_page(
    packs: int = 4000, seed: int = 1, workers: int = 1, performance: Sequence[Mapping[str, float]] = ()
) -> str:
    """Simulate a modest cohort and lay out what it does, and by which priors.

    Parameters
    ----------
    packs : int
        500 to 50,000.
    seed : int
        The same seed gives the same page.
    workers : int
        Processes.
    performance : sequence of mapping, optional
        Measured runs, each with ``packs``, ``seconds``, ``parent_mb`` and ``workers_mb``.

    Returns
    -------
    str
        Self-contained HTML: drawings as SVG, nothing asked of any host.

    Raises
    ------
    BadInput
        If the number of packs is out of reach of the page, or the plan is impossible.
    """
    if not FEWEST_PACKS <= packs <= MOST_PACKS:
        raise BadInput.one(
            "packs", f"{packs} packs do not make this page.", f"Choose {FEWEST_PACKS} to {MOST_PACKS} packs."
        )
    habits = WorkshopHabits(replaces=False, repeat_share=0.0)
    cohort = simulate_cohort(CohortPlan(packs, seed, habits=habits, keep_states=True), workers=workers)
    held = hold_table(cohort)
    example = worked_example(cohort, held)
    trap = hysteresis_trap(load_families()[TRAP_FAMILY], np.random.default_rng([seed, 1]))
    return (
        _environment()
        .get_template("cohort.html")
        .render(
            packs=packs,
            seed=seed,
            trap_title=load_families()[TRAP_FAMILY].title,
            trap=Markup(trap_plot(trap)),  # noqa: S704 - our own drawing
            conditions=condition_rows(held),
            seasons=SEASONS,
            by_place={kind: season_rows(held, kind) for kind in ("leak", "fade")},
            curves=Markup(curves_plot(kind_curves(held))),  # noqa: S704
            example=example,
            example_plot=Markup(example_plot(example)) if example else "",  # noqa: S704
            truth_plot=Markup(truth_plot(example)) if example else "",  # noqa: S704
            shares=CONDITION_SHARES,
            priors=PRIORS,
            fixed=FIXED,
            places=PLACES.values(),
            habits={f.name: getattr(WorkshopHabits(), f.name) for f in fields(WorkshopHabits)},
            meters={f.name: getattr(MeterQuality(), f.name) for f in fields(MeterQuality)},
            performance=performance,
            level=LEVEL_SHARE,
            fewest=FEWEST,
        )
    )


def write_cohort_page(
    folder: Path,
    packs: int = 4000,
    seed: int = 1,
    workers: int = 1,
    performance: Sequence[Mapping[str, float]] = (),
) -> Path:
    """Write the page to ``simulation.html`` in a folder, made if needed; return its path. See `build_cohort_page`."""
    page = build_cohort_page(packs, seed, workers, performance)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / FILE_NAME
    path.write_text(page, encoding="utf-8")
    return path


def _environment() -> Environment:
    environment = report_environment("cohort_report")
    environment.filters["days"] = lambda value: f"{value:.0f}" if np.isfinite(value) else "never"
    environment.filters["percent"] = percent
    environment.filters["per100"] = lambda share: f"{100 * share:.0f}" if np.isfinite(share) else "–"
    environment.filters["plain"] = lambda value: f"{value:g}" if isinstance(value, float) else str(value)
    environment.filters["words"] = lambda name: str(name).replace("_", " ")
    return environment
