"""Cox regression behind the one interface, honest about late entry."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import digamma, gammaln
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.estimators.linear_inputs import LinearFeatures
from models.survival.estimator import Outcomes, check_days, check_rows, require_events
from models.survival.learner import SurvivalLearner


class CoxRegression(SurvivalLearner):
    """Proportional hazards by penalised partial likelihood, Efron's method for ties.

    Late entry counts twice: a row is in the risk sets of the partial likelihood, and of the baseline cumulative
    hazard, only after its entry. (Some libraries honour it in the first and forget it in the second.) A weight
    stands for that many rows, ties among them included.

    Parameters
    ----------
    ridge : float
        Penalty ``ridge / 2`` times the squared coefficients of the levelled features, in units of log-likelihood.
    monotone : mapping of column name or index to +1 or -1, optional
        Sign that the coefficient of a feature must keep: +1 raises the hazard.

    Attributes
    ----------
    coefficients_ : array, shape (p + number of flags,)
        Log hazard ratios per standard deviation of a feature, then of the missing-value flags.

    References
    ----------
    Efron (1977), The efficiency of Cox's likelihood function for censored data, JASA 72(359), 557-565.
    """

    def __init__(self, ridge: float = 1.0, monotone: Mapping[str | int, int] | None = None) -> None:
        self.ridge = ridge
        self.monotone = monotone

    def fit(
        self,
        X: ArrayLike | pd.DataFrame,
        time: ArrayLike,
        event: ArrayLike | None = None,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> Self:
        """Fit coefficients and baseline, as every `models.survival.estimator.SurvivalEstimator` does."""
        self.features_, values, outcomes = check_rows(X, time, event, entry, weights)
        require_events(outcomes)
        self.linear_ = LinearFeatures.learn(values, outcomes.weights)
        design = self.linear_.apply(values)
        risk_sets = _RiskSets(outcomes)
        bounds: list[tuple[float | None, float | None]] = [(None, None)] * design.shape[1]
        for column, sign in (self.monotone or {}).items():
            bounds[self.features_.position(column)] = (0, None) if sign > 0 else (None, 0)

        def loss(coefficients: Floats) -> tuple[float, Floats]:
            value, by_predictor = risk_sets.log_likelihood(design @ coefficients)
            penalised = 0.5 * self.ridge * float(coefficients @ coefficients) - value
            gradient = self.ridge * coefficients - by_predictor @ design
            return penalised / risk_sets.events, gradient / risk_sets.events

        start = np.zeros(design.shape[1])
        found = minimize(
            loss,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": 1000, "ftol": 1e-14, "gtol": 1e-8},
        )
        self.coefficients_ = np.asarray(found.x, dtype=np.float64)
        self.event_days_ = risk_sets.days
        self.cumulative_baseline_ = np.cumsum(risk_sets.baseline(design @ self.coefficients_))
        return self

    def predict_log_hazard_ratio(self, X: ArrayLike | pd.DataFrame) -> Floats:
        """Return the log hazard ratio against a row at the median of every feature, shape (n,)."""
        check_is_fitted(self)
        return np.asarray(self.linear_.apply(self.features_.read(X)) @ self.coefficients_, dtype=np.float64)

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> Floats:
        """Return P(T > day), shape (n, len(days)): a step at each event day, flat after the last one."""
        ratio = np.exp(self.predict_log_hazard_ratio(X))
        steps = np.searchsorted(self.event_days_, check_days(days), side="right")
        return np.exp(-np.outer(ratio, np.concatenate([[0.0], self.cumulative_baseline_])[steps]))


class _RiskSets:
    """Who was at risk at each event day, arranged so that one pass of cumulative sums gives every risk-set total."""

    def __init__(self, outcomes: Outcomes) -> None:
        self._weights = outcomes.weights
        self._events = outcomes.event & (outcomes.weights > 0)
        self.days, day_of_event = np.unique(outcomes.time[self._events], return_inverse=True)
        self._day_of_event = day_of_event
        self._by_time = np.argsort(outcomes.time, kind="stable")
        self._by_entry = np.argsort(outcomes.entry, kind="stable")
        # Places in the sorted rows from which on a row is still under observation, or not yet, at an event day.
        self._still = np.searchsorted(outcomes.time[self._by_time], self.days, side="left")
        self._not_yet = np.searchsorted(outcomes.entry[self._by_entry], self.days, side="left")
        # Number of event days a row has lived through by its end and by its entry.
        self._seen = np.searchsorted(self.days, outcomes.time, side="right")
        self._missed = np.searchsorted(self.days, outcomes.entry, side="right")
        self._tied = np.bincount(day_of_event, outcomes.weights[self._events], len(self.days))
        self.events = float(self._tied.sum())

    def _totals(self, risk: Floats) -> tuple[Floats, Floats]:
        def from_place(order: NDArray[np.intp], place: NDArray[np.intp]) -> Floats:
            onward = np.append(np.cumsum(risk[order][::-1])[::-1], 0.0)
            return np.asarray(onward[place])

        at_risk = from_place(self._by_time, self._still) - from_place(self._by_entry, self._not_yet)
        failing = np.bincount(self._day_of_event, risk[self._events], len(self.days)).astype(np.float64)
        return np.maximum(at_risk, failing), failing

    def _increments(self, risk: Floats) -> tuple[Floats, Floats, Floats]:
        """Return, for each event day, Σ log D, Σ 1/D and Σ (l/d)/D over Efron's denominators D = R − (l/d) E, l < d.

        With c = d R / E the product of the d denominators is (E/d)^d Γ(c+1)/Γ(c−d+1), which also makes sense for a
        sum of weights d that is not whole.
        """
        at_risk, failing = self._totals(risk)
        tied = self._tied
        count = tied * at_risk / failing
        log_sum = tied * np.log(failing / tied) + gammaln(count + 1) - gammaln(count - tied + 1)
        inverse = tied / failing * (digamma(count + 1) - digamma(count - tied + 1))
        return log_sum, inverse, (at_risk * inverse - tied) / failing

    def log_likelihood(self, predictor: Floats) -> tuple[float, Floats]:
        """Return the log partial likelihood and its derivative by each row's linear predictor, shape (n,)."""
        bounded = np.clip(predictor, -100.0, 100.0)
        risk = self._weights * np.exp(bounded)
        log_sum, inverse, tied_part = self._increments(risk)
        cumulative = np.concatenate([[0.0], np.cumsum(inverse)])
        hazard = cumulative[self._seen] - cumulative[self._missed]
        hazard[self._events] -= tied_part[self._day_of_event]
        happened = np.where(self._events, self._weights, 0.0)
        return float(happened @ bounded - log_sum.sum()), happened - risk * hazard

    def baseline(self, predictor: Floats) -> Floats:
        """Return the step of the baseline cumulative hazard at each event day."""
        return self._increments(self._weights * np.exp(predictor))[1]
