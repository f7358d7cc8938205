"""The kind of weakness as calibrated probabilities."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from functools import cached_property
from typing import Any, Final, Self, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import softmax
from sklearn.ensemble import HistGradientBoostingClassifier

from models.base.arrays import Floats
from models.base.threads import thread_limit
from models.calibration.curve_regression import Normal
from models.calibration.kind_shift import OpenedPacks, fit_shift_law, learn_shift, shifted, workshops_of
from models.calibration.world_prior import UNFORESEEN
from models.estimators.hazard_trees import CHUNK_ROWS
from models.estimators.leaf_masks import LeafMasks, nodes_of
from models.packs.history import Weakness

KINDS: Final[tuple[Weakness, ...]] = get_args(Weakness)
"""Leak: self-discharge. Fade: lost capacity. Neglect: imbalance without a defect. Joint: ohmic, no top-up helps."""

RAREST: Final = 1e-6
"""No kind is taken for less likely than this before its odds are moved: a booster that never saw it does not know."""

SET_APART: Final = {"joint": "likely a joint", "neglect": "likely neglect"}
"""Kinds whose packs hold for reasons of their own, and what their part of an evidence group is called."""


def kind_codes(kind: NDArray[np.object_]) -> NDArray[np.intp]:
    """Return the place of each kind among `KINDS`, shape (n,)."""
    return np.array([KINDS.index(k) for k in kind], dtype=np.intp)


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
    """Gradient boosting over the feature table, its odds moved as workshops differ.

    Parameters
    ----------
    threads : int
        OpenMP threads.

    Notes
    -----
    How sure the booster may be, and how common each kind is, differs from workshop to workshop
    (`models.calibration.kind_shift`): the law is learned on packs the booster has not seen, and narrowed by packs of a
    workshop's own that were opened.
    """

    def __init__(self, iterations: int = 120, learning_rate: float = 0.1, threads: int = 1, seed: int = 0) -> None:
        self.iterations = iterations
        self.learning_rate = learning_rate
        self.threads = threads
        self.seed = seed

    def fit(self, X: pd.DataFrame, kind: NDArray[np.object_]) -> Self:
        """Learn from n rows and their true kinds (`KINDS`)."""
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
            self.model_.fit(X.to_numpy(np.float64), kind_codes(kind))
        vars(self).pop("_masks", None)
        self._allow(Normal(np.array([1.0, *np.zeros(len(KINDS))]), np.zeros((len(KINDS) + 1, len(KINDS) + 1))))
        return self

    def calibrate(
        self,
        X: pd.DataFrame,
        kind: NDArray[np.object_],
        world: NDArray[np.object_] | None = None,
        weights: Floats | None = None,
    ) -> Self:
        """Learn how far the odds are off elsewhere, from rows of packs that `fit` has not seen.

        The law is widened by `models.calibration.world_prior.UNFORESEEN`: no simulated world works as a workshop does.

        Parameters
        ----------
        X, kind, world, weights
            As in `opened`.
        """
        law = fit_shift_law(self.opened(X, kind, world, weights))
        self._allow(Normal(law.mean, UNFORESEEN**2 * law.covariance))
        return self

    def calibrate_by(self, worlds: Sequence[OpenedPacks]) -> Self:
        """Learn it from what classifiers like this one made of worlds that work in other ways than those they knew.

        What no world foresees is in that already, so the law is not widened.
        """
        self._allow(fit_shift_law(worlds))
        return self

    def opened(
        self,
        X: pd.DataFrame,
        kind: NDArray[np.object_],
        world: NDArray[np.object_] | None = None,
        weights: Floats | None = None,
    ) -> list[OpenedPacks]:
        """Return what it makes of rows whose kinds are known, world by world.

        Parameters
        ----------
        X : DataFrame, n rows
        kind : object array, shape (n,)
        world : object array, shape (n,), optional
            Which world each row is of; all of one unless given.
        weights : array, shape (n,), optional
            As how many packs each row counts; as one unless given.
        """
        name = np.full(len(X), "") if world is None else world.astype(str)
        weights = np.ones(len(X)) if weights is None else weights
        odds, code = self._log_odds(X), kind_codes(kind)
        parts = (name == one for one in np.unique(name))
        return [OpenedPacks(odds[of], code[of], weights[of]) for of in parts]

    def learned(self, X: pd.DataFrame, kind: NDArray[np.object_], weights: Floats) -> Self:
        """Return a classifier that has learned from a workshop's opened packs; no rows leave it as it is."""
        if not len(X):
            return self
        learned = copy.copy(self)
        learned._allow(learn_shift(OpenedPacks(self._log_odds(X), kind_codes(kind), weights), self.law_))
        return learned

    def predict(self, X: pd.DataFrame) -> Floats:
        """Return the probability of each kind, shape (n, 4), in the order of `KINDS`."""
        return shifted(self._log_odds(X), self.workshops_)

    def _allow(self, law: Normal) -> None:
        self.law_, self.workshops_ = law, workshops_of(law)

    def _log_odds(self, X: pd.DataFrame) -> Floats:
        found = np.zeros((len(X), len(KINDS)))
        values, classes = X.to_numpy(np.float64), self.model_.classes_
        for first in range(0, len(values), CHUNK_ROWS):
            some = slice(first, first + CHUNK_ROWS)
            found[some, classes] = softmax(self._scores(values[some]), axis=1)
        return np.asarray(np.log(np.clip(found, RAREST, 1)))

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
