"""Training as a whole, on simulated packs or on a workshop's record: the one way, for command line and jobs."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from models.base.errors import ModelRefused
from models.forecaster import Forecaster
from models.packs.tables import HistoryTables
from service.core.settings import Settings
from service.forecasting.model.learning import learn, learn_from_record
from training.files.families import load_families
from training.files.tables import read_sisters
from training.learning.fitting import FitSettings, Further
from training.learning.promotion import LEARNING_RULE, Judgement
from training.learning.strange_kinds import strange_plans
from training.registry import Manifest, ModelRegistry
from training.simulation.bank import PACKS_PER_FAMILY, simulate_bank
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

DEFAULT_PACKS: Final = 20_000
"""Simulated packs to learn from; about five and a half minutes of processor time in all."""

FURTHER_PER_PACK: Final = 2
"""Further packs, for each one learned from, that only set recalibration and bound: simulated packs cost little."""

PACKS_PER_WORLD: Final = 100
"""Simulated packs of each world that is drawn: enough of them to show what it has of its own. Invented."""

FURTHER_SEED: Final = 1_000_003
"""Added to the seed for those."""

TRIAL_PACKS: Final = 1_500
TRIAL_SEED: Final = 2_000_003
"""Packs, and what is added to the seed, for comparing a new model with the current one."""

ELSEWHERE_SEED: Final = 5_000_011
ELSEWHERE_SHARE: Final = 4
PACKS_PER_WORLD_ELSEWHERE: Final = 250
"""Added to the seed for packs of further worlds, on which the report shows the model at work; a quarter as many as are
learned from, and so many of each world: the report needs 200 of them followed. Fewer than two worlds are left out."""

STRANGE_SHARE: Final = 6
FEWEST_STRANGE_WORLDS: Final = 4
"""A sixth as many packs as are learned from are in each cohort whose worlds work in other ways; none at all where that
is fewer than so many worlds."""

BANK_SHARE: Final = 4
FEWEST_BANKED: Final = 30
"""One in `BANK_SHARE` as many packs of each family as are learned from, but at least `FEWEST_BANKED`, are kept to be
run forward under other plans (at most `training.simulation.bank.PACKS_PER_FAMILY`)."""

NOBODY_REPLACES: Final = WorkshopHabits(replaces=False)
"""A forecast says when the fault would return if the pack stayed in. A simulation knows that for every pack; a shop
that replaces what looked bad at a recheck hides it from its record, and weights can give back only part."""

Stages = Callable[[str], AbstractContextManager[Callable[..., None]]]
"""Opens a stage of the work by its name; what it gives is told steps done, steps in all and the name of the step."""


@dataclass(frozen=True)
class Taught:
    """What came of learning from a record.

    Attributes
    ----------
    manifest : Manifest
        Of the new model, or of the one that learning started from if nothing could be learned.
    judgement : Judgement or None
        Against the model that answered; None if nothing was learned.
    answering, before : str
        Names of the model that answers from now on, and of the one that answered until now.
    """

    manifest: Manifest
    judgement: Judgement | None
    answering: str
    before: str

    def sentences(self) -> list[str]:
        """Say what was learned, why that way, and who answers now."""
        if self.judgement is None:
            said = [
                "No return is recorded yet, so there is nothing to learn.",
                f"Model {self.answering} goes on answering.",
            ]
            if self.answering != self.manifest.model_id:
                said.append(
                    "It learned from outcomes that are on record no more. To go back to the one it started from: "
                    f'tideover models promote {self.manifest.model_id} --force "its outcomes were withdrawn"'
                )
            return said
        said = [str(self.manifest.facts["why"]), self.judgement.sentence()]
        if self.answering != self.manifest.model_id:
            stored = f"Model {self.manifest.model_id} is stored; {self.answering} goes on answering."
            return [*said, f"{stored} {LEARNING_RULE}"]
        if self.answering == self.before:
            return [*said, f"That is what it had learned before: model {self.answering} goes on answering."]
        said.append(f"Model {self.answering} is used from now on.")
        if self.judgement.verdict == "open":
            said.append(
                "Nothing of yours shows yet that it is better: it answers because learning helped in simulated "
                f"workshops. To go back to {self.before}: tideover models rollback"
            )
        return said


def train_on_simulation(
    settings: Settings, registry: ModelRegistry, *, packs: int, seed: int, workers: int, at: datetime, stages: Stages
) -> Manifest:
    """Simulate packs, learn from them, and promote the model if it is no worse than a current one.

    Parameters
    ----------
    packs : int
        To learn from; `FURTHER_PER_PACK` times as many are simulated besides.
    workers : int
        Processes.
    at : datetime
        Now, with offset.
    """
    families = load_families(settings.own_families_dir)
    with stages("Simulating packs") as progress:
        cohort = simulate_cohort(
            CohortPlan(packs=packs, seed=seed, habits=NOBODY_REPLACES, worlds=worlds_of(packs)),
            families=families,
            workers=workers,
            progress=progress,
        )
    with stages("Simulating packs to check against") as progress:
        more = FURTHER_PER_PACK * packs
        plan = CohortPlan(packs=more, seed=seed + FURTHER_SEED, habits=NOBODY_REPLACES, worlds=worlds_of(more))
        check = simulate_cohort(plan, families=families, workers=workers, progress=progress)
    with stages("Simulating packs to run forward") as progress:
        each = min(max(packs // BANK_SHARE, FEWEST_BANKED), PACKS_PER_FAMILY)
        bank = simulate_bank(families, seed=seed, packs_per_family=each, workers=workers, progress=progress)
    elsewhere, more = None, packs // ELSEWHERE_SHARE // PACKS_PER_WORLD_ELSEWHERE
    if more >= 2:
        with stages("Simulating worlds that it will not be made from") as progress:
            plan = CohortPlan(
                packs=more * PACKS_PER_WORLD_ELSEWHERE, seed=seed + ELSEWHERE_SEED, habits=NOBODY_REPLACES, worlds=more
            )
            elsewhere = simulate_cohort(plan, families=families, workers=workers, progress=progress)
    strangers = []
    if (each := packs // STRANGE_SHARE) >= FEWEST_STRANGE_WORLDS * PACKS_PER_WORLD:
        with stages("Simulating worlds that work in other ways") as progress:
            strangers = [
                (
                    simulate_cohort(one, families=families, workers=workers, progress=progress),
                    simulate_cohort(other, families=families, workers=workers, progress=progress),
                )
                for one, other in strange_plans(each, worlds_of(each), seed)
            ]
    trial = None
    if usable(registry):
        plan = CohortPlan(
            packs=TRIAL_PACKS, seed=seed + TRIAL_SEED, habits=NOBODY_REPLACES, worlds=worlds_of(TRIAL_PACKS)
        )
        trial = simulate_cohort(plan, families=families, workers=workers).tables
    with stages("Training") as progress:
        return learn(
            registry,
            cohort.tables,
            truth=cohort.truth,
            further=Further(check.tables, check.truth),
            bank=bank,
            elsewhere=elsewhere,
            strangers=strangers,
            created=at,
            settings=FitSettings(seed=seed, workers=workers),
            threads=settings.threads,
            trial=trial,
            progress=progress,
        )


def train_on_record(
    settings: Settings,
    registry: ModelRegistry,
    record: HistoryTables,
    *,
    packs: int,
    seed: int,
    workers: int,
    at: datetime,
    stages: Stages,
) -> Taught:
    """Let the current model learn from a record; it answers unless it is shown to be worse.

    Where there is no model yet one is trained on `packs` simulated packs first.

    Raises
    ------
    ModelRefused, BadInput
        As for `service.forecasting.model.learning.learn_from_record`.
    """
    families = load_families(settings.own_families_dir)
    sisters = None if settings.sisters_dir is None else read_sisters(settings.sisters_dir, families)
    if registry.current_id() is None:
        train_on_simulation(settings, registry, packs=packs, seed=seed, workers=workers, at=at, stages=stages)
    before = registry.current_id()
    assert before is not None
    with stages("Learning") as progress:
        manifest, judgement = learn_from_record(
            registry,
            record,
            at=at,
            sisters=sisters,
            seed=seed,
            threads=settings.threads,
            progress=progress,
        )
    answering = registry.current_id()
    assert answering is not None
    return Taught(manifest, judgement, answering, before)


def worlds_of(packs: int) -> int:
    """Worlds over which so many packs are spread; at least two, for it must show that they differ."""
    return min(max(packs // PACKS_PER_WORLD, 2), packs)


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
