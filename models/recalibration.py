"""Recalibration: predicted hold curves moved to agree with what then happened, and no further than that supports."""

from __future__ import annotations

from typing import Final, Self

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from models.estimator import FloatArray, check_grid, check_outcomes
from models.grid import DAYS
from models.person_periods import PersonPeriods
from models.problems import BadInput

MIN_SLOPE: Final = 0.1
"""Least slope: a recalibration may draw forecasts together, but never turn their order round."""


class Recalibration(BaseEstimator):  # type: ignore[misc]
    r"""Multiplies each predicted hazard by a factor that is smooth in time and in the predicted risk.

    .. math:: h'_{ij} = h_{ij} \exp\{c(\tau_j) + (b(\tau_j) - 1)\, \eta_{ij}\}

    with η the log cumulative hazard predicted by the end of bin j against its mean there over the calibration rows
    (cloglog of the return probability), τ running from 0 at the first bin to 1 at the last in equal steps, and
    intercept c and slope b linear in τ: four numbers in all. A factor on the hazard is positive, so a curve stays a
    curve: 1 at day 0 and never rising.

    Fitted by Poisson likelihood of the events in each bin against the predicted ones, which treats censoring, late
    entry and weights exactly. A prior of `prior_outcomes` made-up outcomes that agree with the predictions, half at
    either end of time and half at a standard deviation of η to either side, holds the map to the identity: while
    real outcomes are fewer it moves little.

    Parameters
    ----------
    days : array, optional
        The grid of the curves; defaults to `models.grid.DAYS`.
    prior_outcomes : float
        Strength of the prior, in returns.

    Attributes
    ----------
    intercepts_, slopes_ : array, shape (2,)
        At the first and at the last bin; 0 and 1 mean "as predicted". ``exp(intercepts_)`` is the factor on the
        hazard of an average pack.

    References
    ----------
    Cox (1958), Two further applications of a model for binary regression, Biometrika 45, 562-565, for intercept and
    slope; Crowson, Atkinson & Therneau (2016), Assessing calibration of prognostic risk scores, Statistical Methods in
    Medical Research 25(4), 1692-1706, for the Poisson form with censoring.
    """

    def __init__(self, days: ArrayLike | None = None, prior_outcomes: float = 20.0) -> None:
        self.days = days
        self.prior_outcomes = prior_outcomes

    def fit(
        self,
        survival: ArrayLike,
        time: ArrayLike,
        event: ArrayLike,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> Self:
        """Learn the factor.

        Parameters
        ----------
        survival : array, shape (n, len(days))
            Curves predicted for packs the model had not learned from.
        time, event, entry, weights : array_like, shape (n,)
            What became of them.

        Raises
        ------
        BadInput
            If shapes differ or the outcomes contradict themselves.
        """
        self.grid_ = check_grid(DAYS if self.days is None else self.days)
        outcomes = check_outcomes(time, event, entry, weights)
        hazard = self._hazard(survival)
        if len(hazard) != len(outcomes):
            raise BadInput.one(
                "survival", f"has {len(hazard)} rows; time has {len(outcomes)}.", "Give a curve for each outcome."
            )
        cut = PersonPeriods.cut(outcomes, self.grid_).with_expected_exposure(hazard)
        row, column = np.nonzero((cut.exposure > 0) & (outcomes.weights > 0)[:, None])
        weight = outcomes.weights[row]
        at_risk = np.bincount(column, weight, hazard.shape[1])
        log_total = np.log(np.cumsum(hazard, axis=1))
        # Bins in which nobody was at risk borrow the mean of all rows, so that curves can be read there too.
        everywhere = np.average(log_total, axis=0, weights=outcomes.weights)
        here = np.bincount(column, weight * log_total[row, column], hazard.shape[1])
        self.centre_ = np.where(at_risk > 0, here / np.maximum(at_risk, 1e-300), everywhere)
        departure = log_total[row, column] - self.centre_[column]
        self.low_, self.high_ = float(departure.min(initial=0.0)), float(departure.max(initial=0.0))
        spread = float(np.sqrt(np.average(departure**2, weights=weight))) if len(row) else 1.0

        # The prior as rows of data: at either end of time, at either side of the mean.
        tau = np.concatenate([self._tau()[column], [0.0, 0.0, 1.0, 1.0]])
        eta = np.concatenate([departure, spread * np.array([-1.0, 1.0, -1.0, 1.0])])
        made_up = np.full(4, self.prior_outcomes / 4)
        events = np.concatenate([weight * cut.event[row, column], made_up])
        expected = np.concatenate([weight * cut.exposure[row, column] * hazard[row, column], made_up])
        basis = np.column_stack([1 - tau, tau, (1 - tau) * eta, tau * eta])
        least = MIN_SLOPE - 1.0

        def loss(change: FloatArray) -> tuple[float, FloatArray]:
            log_factor = np.clip(basis @ change, -30.0, 30.0)
            foreseen = expected * np.exp(log_factor)
            return float(foreseen.sum() - events @ log_factor) / scale, (foreseen - events) @ basis / scale

        scale = events.sum() + 1.0
        bounds = [(None, None), (None, None), (least, None), (least, None)]
        found = minimize(
            loss, np.zeros(4), jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-14, "gtol": 1e-9}
        )
        self.intercepts_, self.slopes_ = found.x[:2], 1.0 + found.x[2:]
        return self

    def transform(self, survival: ArrayLike) -> FloatArray:
        """Return recalibrated curves, shape (n, len(days))."""
        check_is_fitted(self)
        hazard = self._hazard(survival)
        eta = np.clip(np.log(np.cumsum(hazard, axis=1)) - self.centre_, self.low_, self.high_)
        tau = self._tau()
        intercept = self.intercepts_[0] * (1 - tau) + self.intercepts_[1] * tau
        slope = self.slopes_[0] * (1 - tau) + self.slopes_[1] * tau
        total = np.cumsum(hazard * np.exp(intercept + (slope - 1) * eta), axis=1)
        return np.hstack([np.ones((len(total), 1)), np.exp(-total)])

    def _tau(self) -> FloatArray:
        return np.linspace(0.0, 1.0, len(self.grid_) - 1)

    def _hazard(self, survival: ArrayLike) -> FloatArray:
        curves = np.asarray(survival, dtype=np.float64)
        if curves.ndim != 2 or curves.shape[1] != len(self.grid_):
            raise BadInput.one(
                "survival", f"has shape {curves.shape}.", f"Give curves on the grid: (n, {len(self.grid_)})."
            )
        if not np.all((curves >= 0) & (curves <= 1)) or np.any(np.diff(curves, axis=1) > 1e-12):
            raise BadInput.one("survival", "leaves 0 to 1 or rises with time.", "Give probabilities of holding.")
        # A hazard of exactly 0 could never be mended by a factor; 1e-9 a bin is below every claim made.
        return np.maximum(-np.diff(np.log(np.maximum(curves, 1e-12)), axis=1), 1e-9)
