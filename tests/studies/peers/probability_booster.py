"""Direct booster of the return probability: trees that answer "back by day t?" with the day as one more feature."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from sklearn import config_context
from sklearn.base import BaseEstimator
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.base.day_grid import DAYS, survival_at
from models.base.threads import thread_limit
from models.estimators.tree_inputs import FeatureCodes, fit_for_trees
from models.survival.censoring_weights import MIN_FOLLOWED, censoring_weights
from models.survival.estimator import check_days, check_grid, check_rows, require_events

CHUNK_ROWS: Final = 4096
"""Packs forecast at a time: memory stays flat however many there are."""


class ProbabilityBooster(BaseEstimator):  # type: ignore[misc]
    """Boosts F(t | features) at the grid days, rising in t by constraint.

    Each pack is one row for every grid day by which it is known whether the fault had returned, weighted by the
    inverse probability of still being followed (one Kaplan–Meier curve of the censoring days: unlike the hazard
    booster's likelihood this asks that censoring does not depend on the features). A pack entered at day e tells only
    about later days, given that it held until e; so where there is late entry the day held so far is a feature, and
    forecasts are made for a pack that has held 0 days.

    Parameters
    ----------
    days : array, optional
        The grid; defaults to `models.base.day_grid.DAYS`.
    rounds, learning_rate, leaves, min_rows, l2
        Of the trees; `min_rows` counts rows of pack and day.
    monotone : mapping of column name or index to +1 or -1, optional
        +1: a higher value raises the return probability.
    feature_share : float
        Share of the features tried at each split.
    min_followed : float
        Smallest probability of being followed that a weight divides by.
    seed : int
    threads : int
        OpenMP threads.
    """

    def __init__(
        self,
        days: ArrayLike | None = None,
        *,
        rounds: int = 150,
        learning_rate: float = 0.1,
        leaves: int = 16,
        min_rows: int = 200,
        l2: float = 10.0,
        monotone: Mapping[str | int, int] | None = None,
        feature_share: float = 0.5,
        min_followed: float = MIN_FOLLOWED,
        seed: int = 0,
        threads: int = 1,
    ) -> None:
        self.days = days
        self.rounds = rounds
        self.learning_rate = learning_rate
        self.leaves = leaves
        self.min_rows = min_rows
        self.l2 = l2
        self.monotone = monotone
        self.feature_share = feature_share
        self.min_followed = min_followed
        self.seed = seed
        self.threads = threads

    def fit(
        self,
        X: ArrayLike | pd.DataFrame,
        time: ArrayLike,
        event: ArrayLike,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> Self:
        """Fit the trees.

        Parameters
        ----------
        X : array or DataFrame, shape (n, p)
            NaN for missing.
        time, event, entry, weights : array_like, shape (n,)
            What lies past the last grid day counts as not seen.

        Raises
        ------
        BadInput
            If the outcomes contradict themselves or hold no event within the grid.
        """
        self.grid_ = check_grid(DAYS if self.days is None else self.days)
        self.features_, values, outcomes = check_rows(X, time, event, entry, weights)
        used = (outcomes.entry < self.grid_[-1]) & (outcomes.weights > 0)
        values, outcomes = values[used], outcomes.take(used).until(float(self.grid_[-1]))
        require_events(outcomes)
        self.knows_held_ = bool(outcomes.entry.any())
        if self.knows_held_:
            values = np.column_stack([values, outcomes.entry])
        self.codes_ = FeatureCodes.learn(values, outcomes.weights)
        known = censoring_weights(
            outcomes.time, outcomes.event, self.grid_[1:], outcomes.entry, min_followed=self.min_followed
        )
        row, column = np.nonzero(known.weights > 0)
        signs = np.zeros(values.shape[1] + 1, dtype=int)
        signs[-1] = 1
        for name, sign in (self.monotone or {}).items():
            signs[self.features_.position(name)] = np.sign(sign)
        self.trees_ = HistGradientBoostingClassifier(
            learning_rate=self.learning_rate,
            max_iter=self.rounds,
            max_leaf_nodes=self.leaves,
            min_samples_leaf=self.min_rows,
            l2_regularization=self.l2,
            max_features=self.feature_share,
            monotonic_cst=signs,
            early_stopping=False,
            random_state=self.seed,
        )
        with thread_limit(self.threads):
            self.trees_.fit(
                fit_for_trees(np.column_stack([self.codes_.apply(values)[row], self.grid_[1:][column]])),
                known.returned[row, column],
                sample_weight=known.weights[row, column] * outcomes.weights[row],
            )
        return self

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> Floats:
        """Return P(T > day), shape (n, len(days)), for days up to the end of the grid."""
        check_is_fitted(self)
        at = check_days(days, float(self.grid_[-1]))
        values = self.features_.read(X)
        survival = np.ones((len(values), len(self.grid_)))
        with thread_limit(self.threads), config_context(assume_finite=True, skip_parameter_validation=True):
            for first in range(0, len(values), CHUNK_ROWS):
                part = values[first : first + CHUNK_ROWS]
                survival[first : first + CHUNK_ROWS, 1:] = 1.0 - self._returned(part)
        return survival_at(survival, at, self.grid_)

    def _returned(self, values: Floats) -> Floats:
        if self.knows_held_:
            values = np.column_stack([values, np.zeros(len(values))])
        bins = len(self.grid_) - 1
        rows = np.empty((len(values), bins, values.shape[1] + 1))
        rows[:, :, :-1] = self.codes_.apply(values)[:, None, :]
        rows[:, :, -1] = self.grid_[1:]
        chance = self.trees_.predict_proba(rows.reshape(len(values) * bins, -1))
        if chance.shape[1] == 1:  # every pack had returned by the first grid day
            return np.ones((len(values), bins))
        return np.asarray(chance[:, 1]).reshape(len(values), bins)
