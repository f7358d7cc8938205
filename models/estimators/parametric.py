"""Regression of a two-parameter survival law on features, by penalised maximum likelihood."""

from __future__ import annotations

from typing import ClassVar, Protocol, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import minimize
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.estimators.linear_inputs import LinearFeatures
from models.survival.estimator import Outcomes, check_days, check_rows, require_events
from models.survival.learner import SurvivalLearner

Graded = tuple[Floats, Floats, Floats]
"""A value for each row and its derivatives by the first and the second parameter."""


class Law(Protocol):
    """A survival law of two unbounded parameters; time is a plain positive number."""

    def log_density(self, time: Floats, first: Floats, second: Floats) -> Graded:
        """Return log f and its derivatives, each shape (n,)."""
        ...

    def log_survival(self, time: Floats, first: Floats, second: Floats) -> Graded:
        """Return log S and its derivatives, each shape (n,)."""
        ...


class ParametricRegression(SurvivalLearner):
    """Both parameters of a law follow the features, or only the first with the second common to all rows.

    Maximises the weighted log-likelihood with late entry (each row given that it held until its entry) and right
    censoring, less ``ridge / 2`` times the squared coefficients of the levelled features; intercepts go free.

    Both intercepts stay within wide bounds of the law: one event alone would otherwise be "explained" by a law that
    has no spread at all.

    Parameters
    ----------
    ridge : float
        Strength of the penalty, in units of log-likelihood: a prior standard deviation of ``1 / sqrt(ridge)`` per
        standard deviation of a feature.
    """

    law: ClassVar[Law]
    second_follows_features: ClassVar[bool]
    start: ClassVar[tuple[float, float]]
    bounds: ClassVar[tuple[tuple[float, float], tuple[float, float]]]

    def __init__(self, ridge: float = 1.0) -> None:
        self.ridge = ridge

    def fit(
        self,
        X: ArrayLike | pd.DataFrame,
        time: ArrayLike,
        event: ArrayLike | None = None,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> Self:
        """Fit by maximum likelihood, as every `models.survival.estimator.SurvivalEstimator` does."""
        self.features_, values, outcomes = check_rows(X, time, event, entry, weights)
        require_events(outcomes)
        self.linear_ = LinearFeatures.learn(values, outcomes.weights)
        # Working in units of the mean time makes the fit the same in days, hours or weeks.
        self.time_scale_ = float(np.average(outcomes.time, weights=outcomes.weights))
        scaled = Outcomes(
            outcomes.time / self.time_scale_, outcomes.event, outcomes.entry / self.time_scale_, outcomes.weights
        )
        common = self._maximise(np.zeros((len(scaled), 0)), scaled, np.array([self.start[0], self.start[1]]))
        design = self.linear_.apply(values)
        slopes = np.zeros(design.shape[1])
        start = np.concatenate([[common[0]], slopes, [common[1]], slopes if self.second_follows_features else []])
        self.coefficients_ = self._maximise(design, scaled, start)
        self.log_likelihood_ = self._log_likelihood(self.coefficients_, design, scaled)[0] - float(
            np.sum(outcomes.weights[outcomes.event]) * np.log(self.time_scale_)
        )
        return self

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> Floats:
        """Return P(T > day), shape (n, len(days))."""
        check_is_fitted(self)
        at = check_days(days)
        first, second = self._parameters(self.coefficients_, self.linear_.apply(self.features_.read(X)))
        shape = (len(first), len(at))
        survival = np.ones(shape)
        later = at > 0
        if later.any():
            rows = [
                np.broadcast_to(v, shape)[:, later].ravel()
                for v in (at / self.time_scale_, first[:, None], second[:, None])
            ]
            survival[:, later] = np.exp(self.law.log_survival(*rows)[0]).reshape(len(first), -1)
        return survival

    def _parameters(self, coefficients: Floats, design: Floats) -> tuple[Floats, Floats]:
        columns = design.shape[1]
        first = coefficients[0] + design @ coefficients[1 : columns + 1]
        second = np.full(len(design), coefficients[columns + 1])
        if self.second_follows_features:
            second += design @ coefficients[columns + 2 :]
        return first, second

    def _log_likelihood(self, coefficients: Floats, design: Floats, outcomes: Outcomes) -> tuple[float, Floats]:
        first, second = self._parameters(coefficients, design)
        value, by_first, by_second = (np.empty(len(outcomes)) for _ in range(3))
        for rows, part in ((outcomes.event, self.law.log_density), (~outcomes.event, self.law.log_survival)):
            value[rows], by_first[rows], by_second[rows] = part(outcomes.time[rows], first[rows], second[rows])
        late = outcomes.entry > 0
        if late.any():
            given = self.law.log_survival(outcomes.entry[late], first[late], second[late])
            for total, part_value in zip((value, by_first, by_second), given, strict=True):
                total[late] -= part_value
        by_first, by_second = by_first * outcomes.weights, by_second * outcomes.weights
        gradient = [np.atleast_1d(by_first.sum()), by_first @ design, np.atleast_1d(by_second.sum())]
        if self.second_follows_features:
            gradient.append(by_second @ design)
        return float(value @ outcomes.weights), np.concatenate(gradient)

    def _maximise(self, design: Floats, outcomes: Outcomes, start: Floats) -> Floats:
        total = outcomes.weights.sum()
        penalty = np.full(len(start), self.ridge)
        penalty[[0, design.shape[1] + 1]] = 0.0

        def loss(coefficients: Floats) -> tuple[float, Floats]:
            value, gradient = self._log_likelihood(coefficients, design, outcomes)
            penalised = 0.5 * float(penalty @ coefficients**2) - value
            return penalised / total, (penalty * coefficients - gradient) / total

        bounds: list[tuple[float | None, float | None]] = [(None, None)] * len(start)
        bounds[0], bounds[design.shape[1] + 1] = self.bounds
        found = minimize(
            loss,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": 1000, "maxfun": 2000, "ftol": 1e-13, "gtol": 1e-8},
        )
        return np.asarray(found.x, dtype=np.float64)
