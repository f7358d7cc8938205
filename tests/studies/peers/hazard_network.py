"""Discrete-time hazard network: a small neural network on the hazard of each bin, rising with what physics says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.base.day_grid import DAYS, survival_at
from models.base.threads import thread_limit
from models.estimators.baseline_hazard import SmoothStart
from models.survival.censoring_weights import censoring_weights
from models.survival.estimator import (
    FeatureColumns,
    Outcomes,
    check_days,
    check_grid,
    check_rows,
    require_events,
    require_same_length,
)
from models.survival.kaplan_meier import censoring_distribution
from models.survival.person_periods import PersonPeriods
from tests.studies.peers.monotone_network import AdamW, Array, ForwardPass, Weights, first_weights
from tests.studies.peers.network_inputs import REACH, NetworkInputs

CHUNK_ROWS: Final = 4096
"""Packs forecast at a time: memory stays flat however many there are."""

MANY_ROWS: Final = 15_000
"""From so many on, rows speak for themselves: fewer units are left out, and steps are taken on more rows at a time."""

BATCH, BATCH_OF_MANY = 256, 512
DROPOUT, DROPOUT_OF_MANY = 0.5, 0.3
"""tests/studies/accuracy.md."""


@dataclass(frozen=True)
class HazardLoss:
    """What outcomes say of the logarithm of each row's hazard factors: the gradient to descend.

    Attributes
    ----------
    baseline : array, shape (bins,)
    at_risk, entered : array, shape (n, bins)
        Share of each bin watched (all of it after the entry where the event fell), and share that comes after the
        entry.
    event : bool array, shape (n, bins)
    held : bool array, shape (n, bins)
        Whether there was no event by the end of each bin.
    known : array, shape (n, bins)
        What the squared error at the end of each bin counts: 0 where not known.
    weight : array, shape (n,)
        Of mean 1.
    """

    baseline: Array
    at_risk: Array
    entered: Array
    event: NDArray[np.bool_]
    held: NDArray[np.bool_]
    known: Array
    weight: Array

    @classmethod
    def of(cls, outcomes: Outcomes, grid: Floats, baseline: Floats, squared_error: float) -> Self:
        """Cut outcomes, none past the grid, into its bins; the squared error counts `squared_error` over all days."""
        cut = PersonPeriods.cut(outcomes, grid)
        followed = censoring_distribution(outcomes.time, outcomes.event, outcomes.entry, outcomes.weights)
        seen = censoring_weights(outcomes.time, outcomes.event, grid[1:], outcomes.entry, censoring=followed)
        # The trapezoid rule over the grid, on which every curve starts at 1.
        day = np.append(grid[2:], grid[-1]) - grid[:-1]
        known = seen.weights * (squared_error * day / (2 * grid[-1]))
        arrays = (np.where(cut.event, 1.0 - cut.missed, cut.exposure), 1.0 - cut.missed, known)
        at_risk, entered, known = (a.astype(np.float32) for a in arrays)
        weight = (outcomes.weights / outcomes.weights.mean()).astype(np.float32)
        return cls(baseline.astype(np.float32), at_risk, entered, cut.event, ~seen.returned, known, weight)

    def gradient(self, output: Array, rows: NDArray[np.intp]) -> Array:
        """Return the gradient of the loss of some rows by their log hazard factors, shape (n, bins) both."""
        hazard = self.baseline * np.exp(output)
        gone = self.at_risk[rows] * hazard
        # Of -log(1 - exp(-u)) for a return, of u for holding, both by the logarithm of the hazard.
        likelihood = np.where(self.event[rows], -gone / np.expm1(np.clip(gone, 1e-6, 50.0)), gone)
        gone = self.entered[rows] * hazard
        hold = np.exp(-np.cumsum(gone, axis=1))
        # Hazard in a bin takes from the hold probability at the end of that bin and of all later ones.
        error = 2 * self.known[rows] * (hold - self.held[rows]) * hold
        error = -gone * np.cumsum(error[:, ::-1], axis=1)[:, ::-1]
        return np.asarray((likelihood + error) * self.weight[rows][:, None])


@dataclass(frozen=True)
class AuxiliaryTargets:
    """What is known of rows to learn from and never of those to forecast: read off the units beside the hazards.

    Attributes
    ----------
    value : array, shape (n, q)
        In standard deviations from the mean; 0 where not known.
    count : array, shape (n, q)
        What the squared error of each counts: 0 where not known.
    """

    value: Array
    count: Array

    @classmethod
    def of(cls, hidden: Floats, weights: Floats, squared_error: float) -> Self:
        """Scale columns of shape (n, q), NaN for unknown; those that never vary teach nothing and are left out."""
        known = ~np.isnan(hidden) & (weights[:, None] > 0)
        weight = np.where(known, weights[:, None], 0.0)
        filled = np.where(known, hidden, 0.0)
        total = np.maximum(weight.sum(axis=0), np.finfo(float).tiny)
        off = np.where(known, filled - (weight * filled).sum(axis=0) / total, 0.0)
        spread = np.sqrt((weight * off**2).sum(axis=0) / total)
        varies = spread > 0
        value = np.clip(off[:, varies] / spread[varies], -REACH, REACH)
        return cls(value.astype(np.float32), (squared_error * weight[:, varies] / weights.mean()).astype(np.float32))

    def first_weights(self, units: int) -> Weights:
        """Return weights that read every value as its mean."""
        width = self.value.shape[1]
        return {"hidden out": np.zeros((units, width), np.float32), "hidden shift": np.zeros(width, np.float32)}

    def gradient(self, weights: Weights, free: Array, rows: NDArray[np.intp]) -> Array:
        """Return the gradient of what some rows lose by what is read off their units, shape (n, q)."""
        read = free @ weights["hidden out"] + weights["hidden shift"]
        return np.asarray(2 * self.count[rows] * (read - self.value[rows]))


class HazardNetwork(BaseEstimator):  # type: ignore[misc]
    r"""Learns the factor by which the hazard of each bin departs from the baseline, with a residual network.

    The hazard :math:`h` is taken as constant within a bin, so a row holds through its share :math:`e` of it with
    probability :math:`\exp(-eh)` and its fault returns there with :math:`1 - \exp(-eh)`: late entry, censoring within
    a bin and ties are exact, and when within its bin an event fell is not used. The network's outputs are the
    logarithms of the factors for all bins at once, so that what is learned of one day serves the next.

    What is made small is minus the log-likelihood and, beside it, the squared error of the hold curves over the grid:
    the integrated Brier score, rows weighed for those lost (`models.survival.kaplan_meier.censoring_weights`). The
    likelihood looks most at days on which many faults return, the squared error at all days alike. Both are smallest at
    the true curves, so their sum is; learned so, curves err a little less than by the likelihood alone
    (tests/studies/accuracy.md).

    Where more is known of the rows to learn from than of those to forecast (of simulated packs, all that is hidden),
    the same units learn to tell that too; what tells it is dropped once learned. It costs a forecast nothing and says
    far more of each pack than one day of return does (learning from privileged information: Vapnik & Vashist 2009,
    Neural Networks 22, 544-557; several tasks by the same units: Caruana 1997, Machine Learning 28, 41-75; both from
    memory, unverified).

    Directions are kept by construction (`tests.studies.peers.monotone_network`).

    Parameters
    ----------
    days : array, optional
        The grid; defaults to `models.base.day_grid.DAYS`.
    layers, width, monotone_width : int
        Hidden layers, and in each the units that are free and those that keep directions.
    dropout : float, optional
        Share of the units left out at random in each step; defaults to 0.5, and to 0.3 where there are many rows.
    epochs : int
        Times that every row is learned from. Few rows make few steps: with little to learn from, little departs.
    batch : int, optional
        Rows a step; defaults to 256, and to 512 where there are many.
    squared_error : float
        What the squared error counts beside minus the log-likelihood.
    hidden_error : float
        What the squared error of each hidden value counts, in units of its variance (tests/studies/accuracy.md).
    learning_rate, weight_decay : float
        Of the optimizer (`tests.studies.peers.monotone_network.AdamW`).
    monotone : mapping of column name or index to +1 or -1, optional
        +1: a higher value raises the hazard, so it lowers the hold probability.
    seed : int
    threads : int
        BLAS threads.

    Attributes
    ----------
    grid_ : array, shape (g,)
    inputs_ : NetworkInputs
    """

    def __init__(
        self,
        days: ArrayLike | None = None,
        *,
        layers: int = 3,
        width: int = 128,
        monotone_width: int = 64,
        dropout: float | None = None,
        epochs: int = 24,
        batch: int | None = None,
        squared_error: float = 3.0,
        hidden_error: float = 0.1,
        learning_rate: float = 0.003,
        weight_decay: float = 0.01,
        monotone: Mapping[str | int, int] | None = None,
        seed: int = 0,
        threads: int = 1,
    ) -> None:
        self.days = days
        self.layers = layers
        self.width = width
        self.monotone_width = monotone_width
        self.dropout = dropout
        self.epochs = epochs
        self.batch = batch
        self.squared_error = squared_error
        self.hidden_error = hidden_error
        self.learning_rate = learning_rate
        self.weight_decay = weight_decay
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
        """Fit baseline and network.

        Parameters
        ----------
        X : array or DataFrame, shape (n, p)
            NaN for missing.
        time, event, entry, weights : array_like, shape (n,)
            What lies past the last grid day counts as not seen.
        hidden : array or DataFrame, shape (n, q), optional
            Numbers known of these rows that no row to forecast will have; NaN for unknown.

        Raises
        ------
        BadInput
            If the outcomes contradict themselves or hold no event within the grid.
        """
        self.grid_ = check_grid(DAYS if self.days is None else self.days)
        self.features_, values, outcomes = check_rows(X, time, event, entry, weights)
        told = np.empty((len(values), 0)) if hidden is None else FeatureColumns.learn(hidden, "hidden")[1]
        require_same_length("hidden", told, outcomes)
        used = (outcomes.entry < self.grid_[-1]) & (outcomes.weights > 0)
        values, told, outcomes = values[used], told[used], outcomes.take(used).until(float(self.grid_[-1]))
        require_events(outcomes)
        self.inputs_ = NetworkInputs.learn(values, outcomes.weights)
        of_feature = {self.features_.position(c): int(np.sign(s)) for c, s in (self.monotone or {}).items()}
        self.signs_ = self._signs(of_feature)
        self.baseline_ = SmoothStart.learn(values, outcomes, self.grid_, False, {}).baseline
        loss = HazardLoss.of(outcomes, self.grid_, self.baseline_, self.squared_error)
        auxiliary = AuxiliaryTargets.of(told, outcomes.weights, self.hidden_error)
        with thread_limit(self.threads):
            self.weights_ = self._descend(self.inputs_.apply(values).astype(np.float32), loss, auxiliary)
        return self

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> Floats:
        """Return P(T > day), shape (n, len(days)), for days up to the end of the grid."""
        check_is_fitted(self)
        at = check_days(days, float(self.grid_[-1]))
        values = self.features_.read(X)
        survival = np.ones((len(values), len(self.grid_)))
        with thread_limit(self.threads):
            for first in range(0, len(values), CHUNK_ROWS):
                part = values[first : first + CHUNK_ROWS]
                forward = ForwardPass.forward(self.weights_, *self._parted(self.inputs_.apply(part)))
                hazard = self.baseline_ * np.exp(forward.output)
                survival[first : first + CHUNK_ROWS, 1:] = np.exp(-np.cumsum(hazard, axis=1))
        return survival_at(survival, at, self.grid_)

    def _signs(self, of_feature: Mapping[int, int]) -> NDArray[np.int64]:
        """Return the direction of each input, shape (inputs,)."""
        column, rises = self.inputs_.source()
        return np.array(
            [of_feature.get(int(c), 0) if r else 0 for c, r in zip(column, rises, strict=True)], dtype=np.int64
        )

    def _parted(self, inputs: Array) -> tuple[Array, Array]:
        """Return the free inputs, and the monotone ones turned so that more of each brings the fault back sooner."""
        monotone = self.signs_ != 0
        turned = inputs[:, monotone] * self.signs_[monotone].astype(inputs.dtype)
        return np.ascontiguousarray(inputs[:, ~monotone]), np.ascontiguousarray(turned)

    def _descend(self, inputs: Array, loss: HazardLoss, auxiliary: AuxiliaryTargets) -> Weights:
        rng = np.random.default_rng(self.seed)
        free, monotone = self._parted(inputs)
        weights = first_weights(
            free.shape[1], monotone.shape[1], self.layers, self.width, self.monotone_width, len(self.baseline_), rng
        )
        beside = auxiliary.first_weights(self.width)
        count = len(inputs)
        many = count >= MANY_ROWS
        batch = min(self.batch or (BATCH_OF_MANY if many else BATCH), count)
        dropout = (DROPOUT_OF_MANY if many else DROPOUT) if self.dropout is None else self.dropout
        steps = self.epochs * (count // batch)
        optimizer = AdamW(weights | beside, self.learning_rate, self.weight_decay, steps)
        for _ in range(self.epochs):
            order = rng.permutation(count)
            for first in range(0, count - batch + 1, batch):
                rows = order[first : first + batch]
                forward = ForwardPass.forward(weights, free[rows], monotone[rows], dropout, rng)
                told = auxiliary.gradient(beside, forward.free, rows) / np.float32(batch)
                gradients = forward.backward(
                    weights, loss.gradient(forward.output, rows) / np.float32(batch), told @ beside["hidden out"].T
                )
                optimizer.step(gradients | {"hidden out": forward.free.T @ told, "hidden shift": told.sum(axis=0)})
        return {name: value.astype(np.float64) for name, value in weights.items()}
