"""What makes an estimator one of scikit-learn's: outcomes in one structured array, a score, names, tags."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.survival.estimator import FeatureColumns, check_outcomes, require_same_length

LEAST: Final = 1e-12
"""Probability that the score counts for what a curve calls impossible: else one surprise would outweigh everything."""


class SurvivalLearner(BaseEstimator):  # type: ignore[misc]
    """Base of every estimator: it works in pipelines, cross-validation and searches of scikit-learn.

    A subclass has `fit` and `predict_survival` (`models.survival.estimator.SurvivalEstimator`), and keeps the columns
    it learned from as ``features_``. Where scikit-learn hands over one ``y``, it is a structured array with a field of
    true and false for the event and one of days (`structured`); other libraries' arrays of that kind serve as well.
    """

    features_: FeatureColumns

    @property
    def n_features_in_(self) -> int:
        """Columns that it was fitted on."""
        return len(self.features_.names)

    @property
    def feature_names_in_(self) -> NDArray[np.object_]:
        """Names of the columns of the DataFrame that it was fitted on; there are none if it was an array."""
        if not self.features_.named:
            raise AttributeError("it was fitted on an array, whose columns have no names")
        return np.array(self.features_.names, dtype=object)

    def predict(self, X: ArrayLike | pd.DataFrame, days: ArrayLike = DAYS) -> Floats:
        """Return P(T > day), shape (n, len(days)): `predict_survival` by the name that pipelines pass on."""
        curves: Floats = self.predict_survival(X, days)
        return curves

    def score(
        self,
        X: ArrayLike | pd.DataFrame,
        time: ArrayLike,
        event: ArrayLike | None = None,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> float:
        """Return the mean log-likelihood of outcomes, higher is better: of the bin of the day grid in which each fell.

        A row that returned in the bin (a, b] counts log[S(a) − S(b)], one that was censored at t log S(t), each given
        that it held until its entry. So it is proper under censoring without a model of it (Gneiting & Raftery 2007,
        JASA 102(477), 4.1: the logarithmic score of a categorical outcome). What happens after the last day of the grid
        counts as censored there.

        Parameters are those of `models.survival.estimator.SurvivalEstimator.fit`.

        Returns
        -------
        float
            Nats a row of weight 1, at most 0.
        """
        grid = np.asarray(getattr(self, "grid_", DAYS), dtype=np.float64)
        outcomes = check_outcomes(time, event, entry, weights)
        curves = self.predict(X, grid)
        require_same_length("X", curves, outcomes)
        told = outcomes.entry < grid[-1]
        curves, outcomes = curves[told], outcomes.take(told).until(float(grid[-1]))
        right = np.clip(np.searchsorted(grid, outcomes.time, side="left"), 1, len(grid) - 1)
        held = _each_at(curves, outcomes.entry, grid)
        before = np.minimum(_each_at(curves, grid[right - 1], grid), held)
        within = before - curves[np.arange(len(curves)), right]
        chance = np.where(outcomes.event, within, _each_at(curves, outcomes.time, grid)) / np.maximum(held, LEAST)
        return float(np.average(np.log(np.clip(chance, LEAST, 1.0)), weights=outcomes.weights))

    def __sklearn_tags__(self) -> Any:
        """Missing features are read as such, and outcomes are needed."""
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = True
        tags.target_tags.required = True
        return tags


def structured(time: ArrayLike, event: ArrayLike, entry: ArrayLike | None = None) -> NDArray[np.void]:
    """Put outcomes into one array, as scikit-learn hands them on.

    Parameters
    ----------
    time, event, entry : array_like, shape (n,)
        As for `models.survival.estimator.check_outcomes`.

    Returns
    -------
    structured array, shape (n,)
        With the fields ``event``, ``time`` and, if given, ``entry``.
    """
    outcomes = check_outcomes(time, event, entry)
    fields: list[tuple[str, Any]] = [("event", bool), ("time", np.float64)]
    rows = np.empty(len(outcomes), dtype=fields if entry is None else [*fields, ("entry", np.float64)])
    rows["event"], rows["time"] = outcomes.event, outcomes.time
    if entry is not None:
        rows["entry"] = outcomes.entry
    return rows


def _each_at(curves: Floats, days: Floats, grid: Floats) -> Floats:
    """Read each curve at a day of its own, shape (n,), linear in the cumulative hazard between grid days."""
    right = np.clip(np.searchsorted(grid, days, side="left"), 1, len(grid) - 1)
    share = (days - grid[right - 1]) / (grid[right] - grid[right - 1])
    row, log_s = np.arange(len(curves)), np.log(np.maximum(curves, LEAST))
    return np.asarray(np.exp(log_s[row, right - 1] * (1 - share) + log_s[row, right] * share))
