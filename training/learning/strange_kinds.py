"""How far kinds are told wrong where every switch of a world works in another way than in the worlds learned from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from models.calibration.kind_shift import OpenedPacks
from models.forecasts.weakness_kind import KindClassifier
from training.learning.minimum_evidence import thin_rows
from training.learning.moments import SurvivalRows, moments_of, survival_rows
from training.simulation.bank import NOBODY_REPLACES
from training.simulation.cohort import Cohort, CohortPlan
from training.simulation.world import halves_of_ways

PAIRS: Final = 2
"""Partings of the ways, each tried both ways round. Invented: what is learned is a mean and a spread over worlds."""

STRANGE_SEED: Final = 7_000_003
"""Added to the seed."""

Strangers = Sequence[tuple[Cohort, Cohort]]
"""Cohorts in pairs: in the worlds of the one every switch works in other ways than in those of the other."""


def strange_plans(packs: int, worlds: int, seed: int) -> list[tuple[CohortPlan, CohortPlan]]:
    """Plan such pairs of cohorts, of so many packs and worlds each."""
    rng = np.random.default_rng([seed, 12])
    plans = []
    for pair in range(PAIRS):
        one, other = (
            CohortPlan(
                packs=packs,
                seed=seed + STRANGE_SEED + 2 * pair + side,
                habits=NOBODY_REPLACES,
                worlds=worlds,
                only=ways,
            )
            for side, ways in enumerate(halves_of_ways(rng))
        )
        plans.append((one, other))
    return plans


def strange_parts(strangers: Strangers, thin_share: float, seed: int) -> list[OpenedPacks]:
    """Let classifiers learned on one cohort of each pair tell the kinds of the other, and the other way round.

    Parameters
    ----------
    thin_share : float
        Share of the moments to be told from the technician's minimum.

    Returns
    -------
    list of OpenedPacks
        One for each world of each cohort.
    """
    rng = np.random.default_rng([seed, 13])
    parts: list[OpenedPacks] = []
    for pair in strangers:
        rows = [survival_rows(cohort.tables, moments_of(cohort.tables, rng)) for cohort in pair]
        for known, (strange, told) in ((0, (pair[1], rows[1])), (1, (pair[0], rows[0]))):
            classifier = KindClassifier(seed=seed).fit(rows[known].X, _of_packs(pair[known], rows[known], "kind"))
            thin = rng.random(len(told)) < thin_share
            asked = told.take(~thin).with_rows(thin_rows(strange.tables, told.take(thin)))
            packs = asked.moments["pack_id"]
            parts += classifier.opened(
                asked.X,
                _of_packs(strange, asked, "kind"),
                _of_packs(strange, asked, "world"),
                1.0 / packs.map(packs.value_counts()).to_numpy(np.float64),
            )
    return parts


def _of_packs(cohort: Cohort, rows: SurvivalRows, column: str) -> np.ndarray:
    truth = cohort.truth.set_index("pack_id")[column]
    return truth.reindex(rows.moments["pack_id"]).to_numpy(dtype=object)
