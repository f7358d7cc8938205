"""Trees and a network on the same rows, their hold curves averaged: what a member of the forecaster is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.estimators.hazard_trees import HazardBooster
from tests.studies.peers.hazard_network import MANY_ROWS, HazardNetwork

SHARE, SHARE_OF_MANY = 0.5, 0.75
"""Of the network's curve in the mean, with few and with many rows (tests/studies/accuracy.md)."""


class HazardPair(BaseEstimator):  # type: ignore[misc]
    """The mean of a `HazardBooster` and a `HazardNetwork`.

    Trees find steps and gaps, the network what is smooth and spread over many features. They err in different places,
    so their mean errs less than either; most so where there is little to learn from. Both keep directions, so the mean
    does.

    Parameters
    ----------
    days : array, optional
        The grid; defaults to `models.base.day_grid.DAYS`.
    rounds : int
        Most trees.
    stop_early : bool
        Choose the number of trees by held-out likelihood.
    epochs : int
        Times that the network learns from every row.
    share : float, optional
        Of the network; defaults to half, and to three quarters where there are many rows.
    monotone : mapping of column name or index to +1 or -1, optional
        +1: a higher value raises the hazard, so it lowers the hold probability.
    seed : int
    threads : int
        OpenMP and BLAS threads.

    Attributes
    ----------
    booster_ : HazardBooster
    network_ : HazardNetwork
    share_ : float
    """

    def __init__(
        self,
        days: ArrayLike | None = None,
        *,
        rounds: int = 100,
        stop_early: bool = True,
        epochs: int = 24,
        share: float | None = None,
        monotone: Mapping[str | int, int] | None = None,
        seed: int = 0,
        threads: int = 1,
    ) -> None:
        self.days = days
        self.rounds = rounds
        self.stop_early = stop_early
        self.epochs = epochs
        self.share = share
        self.monotone = monotone
        self.seed = seed
        self.threads = threads

    def fit(
        self,
        X: ArrayLike | pd.DataFrame,
        time: ArrayLike,
        event: ArrayLike,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
        hidden: ArrayLike | pd.DataFrame | None = None,
    ) -> Self:
        """Fit both; parameters and errors as for `HazardNetwork.fit`. Trees learn nothing from what is hidden."""
        self.booster_ = HazardBooster(
            self.days,
            rounds=self.rounds,
            stop_early=self.stop_early,
            monotone=self.monotone,
            seed=self.seed,
            threads=self.threads,
        ).fit(X, time, event, entry, weights)
        self.network_ = HazardNetwork(
            self.days, epochs=self.epochs, monotone=self.monotone, seed=self.seed, threads=self.threads
        ).fit(X, time, event, entry, weights, hidden)
        usual = SHARE_OF_MANY if len(np.asarray(time)) >= MANY_ROWS else SHARE
        self.share_ = usual if self.share is None else self.share
        return self

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> Floats:
        """Return P(T > day), shape (n, len(days)), for days up to the end of the grid."""
        check_is_fitted(self)
        trees, network = (part.predict_survival(X, days) for part in (self.booster_, self.network_))
        return np.asarray((1 - self.share_) * trees + self.share_ * network)
