"""``tideover train``."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.progress import shown
from service.cli.surroundings import registry_here, settings_here
from service.model.learning import learn
from service.settings import Settings
from training.cohort import CohortPlan, simulate_cohort
from training.families import load_families
from training.fitting import FitSettings, Further
from training.registry import Manifest
from training.table_files import read_tables
from training.workshop import WorkshopHabits

DEFAULT_PACKS = 12_000
"""Simulated packs to learn from: trained within three minutes on two cores."""

FURTHER_PER_PACK = 2
"""Further packs, for each one learned from, that only set recalibration and bound: simulated packs cost little."""

FURTHER_SEED = 1_000_003
"""Added to the seed for those."""

NOBODY_REPLACES = WorkshopHabits(replaces=False)
"""A forecast says when the fault would return if the pack stayed in. A simulation knows that for every pack; a shop
that replaces what looked bad at a recheck hides it from its record, and weights can give back only part."""


@plain_errors
def train(
    data: Annotated[
        Path | None, typer.Option(help="Folder of tables to learn from; without it packs are simulated.")
    ] = None,
    packs: Annotated[int, typer.Option(help="Packs to simulate.", min=1)] = DEFAULT_PACKS,
    seed: Annotated[int, typer.Option(help="The same seed and record give the same model.", min=0)] = 0,
    workers: Annotated[int | None, typer.Option(help="Processes side by side; as many as cores, at most 2.")] = None,
) -> None:
    """Train a model, check it on packs kept apart, store it with its report, and let it answer from now on."""
    settings = settings_here()
    if data is None:
        manifest = train_on_simulation(settings, packs=packs, seed=seed, workers=workers)
    else:
        tables = read_tables(data, load_families(settings.families_dir))
        with shown("Training") as progress:
            manifest = learn(
                registry_here(settings),
                tables,
                created=datetime.now(UTC),
                trained_on="shop",
                settings=FitSettings(seed=seed, workers=workers or usual_workers()),
                threads=settings.threads,
                progress=progress,
            )
    out().print(f"Model {manifest.model_id} answers from now on. See how good it is with `tideover report`.")


def train_on_simulation(settings: Settings, *, packs: int, seed: int, workers: int | None = None) -> Manifest:
    """Simulate packs, learn from them, and promote the model."""
    count = workers or usual_workers()
    families = load_families(settings.families_dir)
    with shown("Simulating packs") as progress:
        cohort = simulate_cohort(
            CohortPlan(packs=packs, seed=seed, habits=NOBODY_REPLACES),
            families=families,
            workers=count,
            progress=progress,
        )
    with shown("Simulating packs to check against") as progress:
        plan = CohortPlan(packs=FURTHER_PER_PACK * packs, seed=seed + FURTHER_SEED, habits=NOBODY_REPLACES)
        check = simulate_cohort(plan, families=families, workers=count, progress=progress)
    with shown("Training") as progress:
        return learn(
            registry_here(settings),
            cohort.tables,
            truth=cohort.truth,
            further=Further(check.tables, check.truth),
            created=datetime.now(UTC),
            trained_on="simulation",
            settings=FitSettings(seed=seed, workers=count),
            threads=settings.threads,
            progress=progress,
        )


def usual_workers() -> int:
    """Two processes, or one on a single core."""
    return min(2, os.cpu_count() or 1)
