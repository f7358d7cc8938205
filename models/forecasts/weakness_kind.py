"""The kind of weakness as calibrated probabilities."""

from __future__ import annotations

from functools import cached_property
from typing import Any, Final, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.special import softmax
from sklearn.ensemble import HistGradientBoostingClassifier

from models.base.threads import thread_limit
from models.estimators.hazard_trees import CHUNK_ROWS
from models.estimators.leaf_masks import LeafMasks, nodes_of

KINDS: Final = ("leak", "fade", "neglect", "joint")
"""Leak: self-discharge. Fade: lost capacity. Neglect: imbalance without a defect. Joint: ohmic, no top-up helps."""


SET_APART: Final = {"joint": "likely a joint", "neglect": "likely neglect"}
"""Kinds whose packs hold for reasons of their own, and what their part of an evidence group is called."""


def with_likely_kind(group: NDArray[np.object_], kinds: NDArray[np.float64] | None) -> NDArray[np.object_]:
    """Split evidence groups by the likeliest kind: a top-up does little for a joint, and all there is for neglect.

    Parameters
    ----------
    group : object array, shape (n,)
        `models.forecasts.evidence.evidence_group`.
    kinds : array, shape (n, 4), or None
        Probabilities in the order of `KINDS`; None leaves the groups as they are.

    Returns
    -------
    object array, shape (n,)
        With leak and fade, which are hard to tell apart, left in one part.
    """
    if kinds is None:
        return group
    parted = group.copy()
    likeliest = kinds.argmax(axis=1)
    for kind, called in SET_APART.items():
        rows = likeliest == KINDS.index(kind)
        parted[rows] = parted[rows] + f", {called}"
    return parted


class KindClassifier:
    """Gradient boosting over the feature table with one temperature for calibration.

    Parameters
    ----------
    iterations : int
    learning_rate : float
    threads : int
        OpenMP threads.
    seed : int

    Notes
    -----
    The temperature (Guo et al. 2017, ICML 70, 1321-1330) divides the log-probabilities; it is fitted on packs the
    booster has not seen.
    """

    def __init__(self, iterations: int = 120, learning_rate: float = 0.1, threads: int = 1, seed: int = 0) -> None:
        self.iterations = iterations
        self.learning_rate = learning_rate
        self.threads = threads
        self.seed = seed

    def fit(self, X: pd.DataFrame, kind: NDArray[np.object_]) -> Self:
        """Learn from n rows and their true kinds (`KINDS`)."""
        code = np.array([KINDS.index(k) for k in kind])
        self.model_ = HistGradientBoostingClassifier(
            max_iter=self.iterations,
            learning_rate=self.learning_rate,
            max_leaf_nodes=15,
            min_samples_leaf=40,
            l2_regularization=5.0,
            early_stopping=False,
            random_state=self.seed,
        )
        with thread_limit(self.threads):
            self.model_.fit(X.to_numpy(np.float64), code)
        vars(self).pop("_masks", None)
        self.temperature_ = 1.0
        return self

    def calibrate(self, X: pd.DataFrame, kind: NDArray[np.object_]) -> Self:
        """Set the temperature on rows of packs that `fit` has not seen."""
        code = np.array([KINDS.index(k) for k in kind])
        raw = np.log(np.clip(self._raw(X), 1e-9, 1))

        def loss(log_temperature: float) -> float:
            scaled = raw / np.exp(log_temperature)
            scaled -= scaled.max(axis=1, keepdims=True)
            picked = scaled[np.arange(len(code)), code] - np.log(np.exp(scaled).sum(axis=1))
            return float(-picked.mean())

        self.temperature_ = float(np.exp(minimize_scalar(loss, bounds=(-1.5, 1.5), method="bounded").x))
        return self

    def predict(self, X: pd.DataFrame) -> NDArray[np.float64]:
        """Return the probability of each kind, shape (n, 4), in the order of `KINDS`."""
        scaled = np.log(np.clip(self._raw(X), 1e-9, 1)) / self.temperature_
        scaled = np.exp(scaled - scaled.max(axis=1, keepdims=True))
        return np.asarray(scaled / scaled.sum(axis=1, keepdims=True))

    def _raw(self, X: pd.DataFrame) -> NDArray[np.float64]:
        found = np.zeros((len(X), len(KINDS)))
        values, classes = X.to_numpy(np.float64), self.model_.classes_
        for first in range(0, len(values), CHUNK_ROWS):
            some = slice(first, first + CHUNK_ROWS)
            found[some, classes] = softmax(self._scores(values[some]), axis=1)
        return found

    def _scores(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the logarithm of each known kind's share, but for a term of each row; shape (n, kinds known)."""
        trees = len(self._masks.values)
        each = self._masks.given(self._masks.reached(values), np.arange(trees))
        scores = each.reshape(len(values), self.model_.n_iter_, -1).sum(axis=1) + self.model_._baseline_prediction
        # Of two kinds scikit-learn tells the second against the first.
        return np.asarray(np.insert(scores, 0, 0.0, axis=1) if scores.shape[1] == 1 else scores)

    @cached_property
    def _masks(self) -> LeafMasks:
        return LeafMasks.of(nodes_of(self.model_), self.model_.n_features_in_)

    def __getstate__(self) -> dict[str, Any]:
        """Leave out what follows from the rest."""
        return {name: part for name, part in vars(self).items() if name != "_masks"}
