"""Boosted trees on what given hold curves leave over: how far, on own rows, the hazard departs from them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from sklearn.ensemble import HistGradientBoostingRegressor

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.threads import thread_limit
from models.estimators.hazard_trees import TreesByBin
from models.estimators.tree_inputs import FeatureCodes, fit_for_trees
from models.survival.estimator import check_rows, require_events
from models.survival.person_periods import PersonPeriods

ROUNDS: Final = 40
LEARNING_RATE: Final = 0.1
LEAVES: Final = 8
MIN_PERIODS: Final = 50
PRIOR_EVENTS: Final = 20.0
"""Trees, their step, leaves of each and person-periods in a leaf; expected events by which a leaf is shrunk to "as the
curve has it". Chosen on held-out ways of working (tests/studies/learning.md)."""

LEAST_HAZARD: Final = 1e-7
"""Of a bin: a curve that says nothing ever comes back there can still be corrected."""


class ResidualTrees:
    """Multiplies the hazard of given curves, bin by bin of the day grid, by what own rows say.

    The likelihood is that of `models.estimators.hazard_trees.HazardBooster`, with the given curves as the start: with
    little to learn from, the curves stay as they are.

    Parameters
    ----------
    monotone : mapping of column name or index to +1 or -1, optional
        +1: a higher value raises the hazard.
    threads : int
        OpenMP threads.
    """

    def __init__(self, monotone: Mapping[str | int, int] | None = None, seed: int = 0, threads: int = 1) -> None:
        self.monotone = monotone
        self.seed = seed
        self.threads = threads

    def fit(
        self, X: pd.DataFrame, survival: Floats, time: ArrayLike, event: ArrayLike, weights: ArrayLike | None = None
    ) -> Self:
        """Fit the trees.

        Parameters
        ----------
        X : DataFrame, shape (n, p)
            NaN for missing.
        survival : array, shape (n, len(DAYS))
            Curves to correct.
        time, event, weights : array_like, shape (n,)

        Raises
        ------
        BadInput
            If the outcomes contradict themselves or hold no event within the grid.
        """
        self.features_, values, outcomes = check_rows(X, time, event, None, weights)
        outcomes = outcomes.until(float(DAYS[-1]))
        require_events(outcomes)
        self.codes_ = FeatureCodes.learn(values, outcomes.weights)
        codes, hazard = self.codes_.apply(values), _hazard(survival)
        cut = PersonPeriods.cut(outcomes, DAYS).with_expected_exposure(hazard)
        row, column = np.nonzero(cut.exposure > 0)
        expected = cut.exposure[row, column] * hazard[row, column]
        signs = {self.features_.position(name): int(np.sign(sign)) for name, sign in (self.monotone or {}).items()}
        self.trees_ = HistGradientBoostingRegressor(
            loss="poisson",
            learning_rate=LEARNING_RATE,
            max_iter=ROUNDS,
            max_leaf_nodes=LEAVES,
            min_samples_leaf=MIN_PERIODS,
            l2_regularization=PRIOR_EVENTS,
            max_features=0.5,
            monotonic_cst=[signs.get(j, 0) for j in range(values.shape[1])] + [0],
            early_stopping=False,
            random_state=self.seed,
        )
        with thread_limit(self.threads):
            self.trees_.fit(
                fit_for_trees(np.column_stack([codes[row], DAYS[1:][column]])),
                cut.event[row, column] / expected,
                sample_weight=expected * outcomes.weights[row],
            )
        self.by_bin_ = TreesByBin.of(self.trees_, self.codes_, DAYS)
        return self

    def corrected(self, X: pd.DataFrame, *survival: Floats) -> tuple[Floats, ...]:
        """Return each set of curves of the same n rows with its hazard multiplied, shape (n, len(DAYS))."""
        factor = self.by_bin_.factor(self.features_.read(X))
        return tuple(
            np.hstack([np.ones((len(X), 1)), np.exp(-np.cumsum(_hazard(curve) * factor, axis=1))]) for curve in survival
        )

    def __getstate__(self) -> dict[str, Any]:
        """Leave out what follows from the rest."""
        return {name: part for name, part in vars(self).items() if name != "by_bin_"}

    def __setstate__(self, state: dict[str, Any]) -> None:
        vars(self).update(state)
        if "trees_" in state:
            self.by_bin_ = TreesByBin.of(self.trees_, self.codes_, DAYS)


def _hazard(survival: Floats) -> Floats:
    """Return the cumulative hazard that curves gain in each bin, shape (n, bins)."""
    total = -np.log(np.clip(survival, 1e-12, 1.0))
    return np.maximum(np.diff(total, axis=1), LEAST_HAZARD)
