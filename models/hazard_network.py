"""Discrete-time hazard network: a small neural network on the hazard of each bin, rising with what physics says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from models.directed_network import Array, Descent, Run, Weights, first_weights
from models.estimator import FeatureColumns, FloatArray, check_days, check_grid, check_outcomes, require_events
from models.grid import DAYS, survival_at
from models.network_inputs import NetworkInputs
from models.person_periods import PersonPeriods
from models.problems import BadInput
from models.smooth_start import SmoothStart
from models.threads import thread_limit

CHUNK_ROWS: Final = 4096
"""Packs forecast at a time: memory stays flat however many there are."""

USUAL_BATCH: Final = 256
MANY_ROWS: Final = 30_000
"""Rows from which steps are taken on twice as many at a time: faster, and as good."""


class HazardNetwork(BaseEstimator):  # type: ignore[misc]
    r"""Learns the factor by which the hazard of each bin departs from the baseline, with a feed-forward network.

    The hazard :math:`h` is taken as constant within a bin, so a row holds through its share :math:`e` of it with
    probability :math:`\exp(-eh)` and its fault returns there with :math:`1 - \exp(-eh)`: late entry, censoring within
    a bin and ties are exact, and when within its bin an event fell is not used. The network's outputs are the
    logarithms of the factors for all bins at once, so that what is learned of one day serves the next.

    Directions are kept by construction (`models.directed_network`).

    Parameters
    ----------
    days : array, optional
        The grid; defaults to `models.grid.DAYS`.
    layers, width, directed_width : int
        Hidden layers, and in each the units that are free and those that keep directions.
    dropout : float
        Share of the units left out at random in each step.
    passes : int
        Times that every row is learned from. Few rows make few steps: with little to learn from, little departs.
    batch : int, optional
        Rows a step; defaults to 256, and to 512 where there are many.
    learning_rate, shrinkage : float
        Of the descent (`models.directed_network.Descent`).
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
        directed_width: int = 64,
        dropout: float = 0.3,
        passes: int = 24,
        batch: int | None = None,
        learning_rate: float = 0.003,
        shrinkage: float = 0.01,
        monotone: Mapping[str | int, int] | None = None,
        seed: int = 0,
        threads: int = 1,
    ) -> None:
        self.days = days
        self.layers = layers
        self.width = width
        self.directed_width = directed_width
        self.dropout = dropout
        self.passes = passes
        self.batch = batch
        self.learning_rate = learning_rate
        self.shrinkage = shrinkage
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
    ) -> Self:
        """Fit baseline and network.

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
        outcomes = check_outcomes(time, event, entry, weights)
        self.features_, values = FeatureColumns.learn(X)
        if len(values) != len(outcomes):
            raise BadInput.one(
                "X", f"has {len(values)} rows; time has {len(outcomes)}.", "Give one row for each outcome."
            )
        used = (outcomes.entry < self.grid_[-1]) & (outcomes.weights > 0)
        values, outcomes = values[used], outcomes.take(used).until(float(self.grid_[-1]))
        require_events(outcomes)
        self.inputs_ = NetworkInputs.learn(values, outcomes.weights)
        of_feature = {self.features_.position(c): int(np.sign(s)) for c, s in (self.monotone or {}).items()}
        self.signs_ = self._signs(of_feature)
        cut = PersonPeriods.cut(outcomes, self.grid_)
        at_risk = np.where(cut.event, 1.0 - cut.missed, cut.exposure)
        self.baseline_ = SmoothStart.learn(values, outcomes, self.grid_, False, {}).baseline
        with thread_limit(self.threads):
            self.weights_ = self._descend(
                self.inputs_.apply(values).astype(np.float32),
                at_risk.astype(np.float32),
                cut.event,
                (outcomes.weights / outcomes.weights.mean()).astype(np.float32),
            )
        return self

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> FloatArray:
        """Return P(T > day), shape (n, len(days)), for days up to the end of the grid."""
        check_is_fitted(self)
        at = check_days(days, float(self.grid_[-1]))
        values = self.features_.read(X)
        survival = np.ones((len(values), len(self.grid_)))
        with thread_limit(self.threads):
            for first in range(0, len(values), CHUNK_ROWS):
                part = values[first : first + CHUNK_ROWS]
                run = Run.forward(self.weights_, *self._parted(self.inputs_.apply(part)))
                hazard = self.baseline_ * np.exp(run.output)
                survival[first : first + CHUNK_ROWS, 1:] = np.exp(-np.cumsum(hazard, axis=1))
        return survival_at(survival, at, self.grid_)

    def _signs(self, of_feature: Mapping[int, int]) -> NDArray[np.int64]:
        """Return the direction of each input, shape (inputs,)."""
        column, rises = self.inputs_.source()
        return np.array(
            [of_feature.get(int(c), 0) if r else 0 for c, r in zip(column, rises, strict=True)], dtype=np.int64
        )

    def _parted(self, inputs: Array) -> tuple[Array, Array]:
        """Return the free inputs, and the directed ones turned so that more of each brings the fault back sooner."""
        directed = self.signs_ != 0
        turned = inputs[:, directed] * self.signs_[directed].astype(inputs.dtype)
        return np.ascontiguousarray(inputs[:, ~directed]), np.ascontiguousarray(turned)

    def _descend(self, inputs: Array, at_risk: Array, event: NDArray[np.bool_], weight: Array) -> Weights:
        rng = np.random.default_rng(self.seed)
        free, directed = self._parted(inputs)
        weights = first_weights(
            free.shape[1], directed.shape[1], self.layers, self.width, self.directed_width, at_risk.shape[1], rng
        )
        baseline = self.baseline_.astype(np.float32)
        count = len(inputs)
        batch = min(self.batch or (USUAL_BATCH if count < MANY_ROWS else 2 * USUAL_BATCH), count)
        steps = self.passes * (count // batch)
        descent = Descent(weights, self.learning_rate, self.shrinkage, steps)
        for _ in range(self.passes):
            order = rng.permutation(count)
            for first in range(0, count - batch + 1, batch):
                rows = order[first : first + batch]
                run = Run.forward(weights, free[rows], directed[rows], self.dropout, rng)
                gone = at_risk[rows] * baseline * np.exp(run.output)
                # Slope of -log(1 - exp(-u)) for a return, of u for holding, both by the logarithm of the hazard.
                slope = np.where(event[rows], -gone / np.expm1(np.clip(gone, 1e-6, 50.0)), gone)
                descent.step(run.backward(weights, slope * (weight[rows] / np.float32(batch))[:, None]))
        return {name: value.astype(np.float64) for name, value in weights.items()}
