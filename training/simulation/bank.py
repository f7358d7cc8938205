"""Simulating the bank of packs that stand for real ones when plans are compared."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import pandas as pd

from models.features.raw import feature_frame
from models.interventions.forward_runs import Ready
from models.interventions.pack_bank import FamilyBank, PackBank, Summary
from models.packs.family import PackFamily
from models.packs.tables import from_days, to_days
from training.simulation.cohort import Cohort, CohortPlan, simulate_cohort
from training.simulation.cohort_batch import RELEASE_HOUR
from training.simulation.workshop import WorkshopHabits

PACKS_PER_FAMILY: Final = 1500
"""Simulated packs of each family; each is kept at one to eight moments."""

PACKS_PER_WORLD: Final = 10
"""Packs of the bank from each world that is drawn: many worlds, for a workshop's own is none of them. Invented."""

BANK_SEED: Final = 3_000_017
"""Added to the seed: the bank's packs are not those that the forecaster learned from."""

JUST_READ_DAYS: Final = 0.04
"""The readings of a morning are over this long after the hour of release, days."""

NOBODY_REPLACES: Final = WorkshopHabits(replaces=False)

KeptPacks = Mapping[str, tuple[Ready, pd.DataFrame]]


def simulate_bank(
    families: Mapping[str, PackFamily],
    *,
    seed: int,
    packs_per_family: int = PACKS_PER_FAMILY,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> KeptPacks:
    """Simulate packs of every family, in drawn worlds, and keep their hidden state at the moments of a forecast.

    Parameters
    ----------
    progress : callable, optional
        Called with packs done and packs in all.

    Returns
    -------
    mapping of str to (Ready, DataFrame)
        By family, with their features; a forecaster turns them into its bank (`bank_of`).
    """
    packs = packs_per_family * len(families)
    plan = CohortPlan(
        packs=packs,
        seed=seed + BANK_SEED,
        families=tuple(families),
        habits=NOBODY_REPLACES,
        keep_states=True,
        worlds=max(packs // PACKS_PER_WORLD, 1),
    )
    return kept_packs(simulate_cohort(plan, families=families, workers=workers, progress=progress))


def kept_packs(cohort: Cohort) -> KeptPacks:
    """Put the kept states of a cohort in order by family.

    Parameters
    ----------
    cohort : Cohort
        Simulated with ``keep_states``.
    """
    found: dict[str, list[tuple[Ready, pd.DataFrame]]] = {}
    for ready, moments in ready_packs(cohort):
        found.setdefault(ready.family.name, []).append((ready, feature_frame(cohort.tables, moments)))
    return {
        name: (
            Ready.concatenate([ready for ready, _ in parts]),
            pd.concat([X for _, X in parts], ignore_index=True),
        )
        for name, parts in found.items()
    }


def bank_of(kept: KeptPacks, summary: Summary) -> PackBank:
    """Make the bank of a forecaster, which says by `summary` what it makes of the packs' evidence."""
    return PackBank({name: FamilyBank.of(ready, X, summary) for name, (ready, X) in kept.items()})


def ready_packs(cohort: Cohort) -> list[tuple[Ready, pd.DataFrame]]:
    """Return the kept hidden states of each cell, and the moments (``pack_id``, ``origin``) they belong to."""
    place = {pair: i for i, pair in enumerate(zip(cohort.truth["cell"], cohort.truth["row"], strict=True))}
    ids, day0 = cohort.truth["pack_id"].to_numpy(dtype=object), cohort.truth["day0"].to_numpy(np.float64)
    charges = cohort.tables.topups[["pack_id", "blocks"]].assign(at=to_days(cohort.tables.topups["time"]))
    charges = charges.sort_values("at", kind="stable")
    out = []
    for index, record in zip(sorted(set(cohort.truth["cell"])), cohort.cells, strict=True):
        states = record.states
        if states is None:
            continue
        rows = np.array([place[(index, r)] for r in states.pack], dtype=np.intp)
        at = np.asarray(day0[rows] + states.day + RELEASE_HOUR / 24 + JUST_READ_DAYS, dtype=np.float64)
        asked = pd.DataFrame({"pack_id": ids[rows], "at": at, "order": np.arange(len(rows))})
        near = pd.merge_asof(asked.sort_values("at", kind="stable"), charges, on="at", by="pack_id")
        block = near.sort_values("order", kind="stable")["blocks"].astype(int).to_numpy(dtype=np.intp)
        moments = pd.DataFrame({"pack_id": ids[rows], "origin": from_days(at)})
        out.append(
            (
                Ready(
                    record.family,
                    states.state,
                    states.use,
                    states.day.astype(np.float64),
                    np.asarray(block - 1, dtype=np.intp),
                ),
                moments,
            )
        )
    return out
