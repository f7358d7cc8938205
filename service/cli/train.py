"""``tideover train``."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from models.forecaster import Forecaster
from models.problems import ModelRefused
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.progress import shown
from service.cli.surroundings import registry_here, settings_here
from service.model.learning import learn, learn_from_record
from service.settings import Settings
from training.cohort import CohortPlan, simulate_cohort
from training.families import load_families
from training.fitting import FitSettings, Further
from training.promotion import RULE
from training.registry import Manifest, ModelRegistry
from training.table_files import read_tables
from training.workshop import WorkshopHabits

DEFAULT_PACKS = 20_000
"""Simulated packs to learn from; about seven minutes on two cores."""

FURTHER_PER_PACK = 2
"""Further packs, for each one learned from, that only set recalibration and bound: simulated packs cost little."""

FURTHER_SEED = 1_000_003
"""Added to the seed for those."""

TRIAL_PACKS = 1_500
TRIAL_SEED = 2_000_003
"""Packs, and what is added to the seed, for comparing a new model with the current one."""

NOBODY_REPLACES = WorkshopHabits(replaces=False)
"""A forecast says when the fault would return if the pack stayed in. A simulation knows that for every pack; a shop
that replaces what looked bad at a recheck hides it from its record, and weights can give back only part."""


@plain_errors
def train(
    record: Annotated[
        Path | None,
        typer.Option("--from", help="Folder with the tables of your own record; without it packs are simulated."),
    ] = None,
    packs: Annotated[int, typer.Option(help="Packs to simulate.", min=1)] = DEFAULT_PACKS,
    seed: Annotated[int, typer.Option(help="The same seed and record give the same model.", min=0)] = 0,
    workers: Annotated[int | None, typer.Option(help="Processes side by side; as many as cores, at most 2.")] = None,
) -> None:
    """Train a model on simulated packs, or let it learn from your own record; it answers if it is no worse."""
    settings = settings_here()
    registry = registry_here(settings)
    judgement = None
    if record is None:
        manifest = train_on_simulation(settings, packs=packs, seed=seed, workers=workers)
    else:
        tables = read_tables(record, load_families(settings.families_dir))
        if registry.current_id() is None:
            out().print("There is no model to learn further from yet. One is trained now on simulated packs.")
            train_on_simulation(settings, packs=packs, seed=seed, workers=workers)
        with shown("Learning") as progress:
            manifest, judgement = learn_from_record(
                registry,
                tables,
                at=datetime.now(UTC),
                families=load_families(settings.families_dir),
                habits=NOBODY_REPLACES,
                settings=FitSettings(seed=seed, workers=workers or usual_workers()),
                threads=settings.threads,
                progress=progress,
            )
        out().print(manifest.facts.get("why", "No return is recorded yet, so there is nothing to learn."))
        if judgement is not None:
            out().print(judgement.sentence())
    if registry.current_id() == manifest.model_id:
        out().print(f"Model {manifest.model_id} answers from now on. See how good it is with `tideover report`.")
        return
    out().print(f"Model {manifest.model_id} is stored; {registry.current_id()} goes on answering. {RULE}")
    out().print(f"To let it answer all the same: tideover models promote {manifest.model_id} --force REASON")


def train_on_simulation(settings: Settings, *, packs: int, seed: int, workers: int | None = None) -> Manifest:
    """Simulate packs, learn from them, and promote the model if it is no worse than a current one."""
    count = workers or usual_workers()
    families = load_families(settings.families_dir)
    registry = registry_here(settings)
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
    trial = None
    if usable(registry):
        plan = CohortPlan(packs=TRIAL_PACKS, seed=seed + TRIAL_SEED, habits=NOBODY_REPLACES)
        trial = simulate_cohort(plan, families=families, workers=count).tables
    with shown("Training") as progress:
        return learn(
            registry,
            cohort.tables,
            truth=cohort.truth,
            further=Further(check.tables, check.truth),
            created=datetime.now(UTC),
            trained_on="simulation",
            settings=FitSettings(seed=seed, workers=count),
            threads=settings.threads,
            trial=trial,
            progress=progress,
        )


def usable(registry: ModelRegistry) -> bool:
    """Whether there is a current model that may be used."""
    try:
        registry.load_current(Forecaster)
    except ModelRefused:
        return False
    return True


def usual_workers() -> int:
    """Two processes, or one on a single core."""
    return min(2, os.cpu_count() or 1)
