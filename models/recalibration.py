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


TIME_NODES: Final = 3
"""Nodes of the broken lines in time: the first, the middle and the last bin."""

SEGMENT_SHARES: Final = (0.15, 0.5, 0.85)
"""Shares of the calibration rows' person-periods at which the segments of η part. Invented."""


class Recalibration(BaseEstimator):  # type: ignore[misc]
    r"""Multiplies each predicted hazard by a factor that is smooth in time and in the predicted risk.

    .. math:: h'_{ij} = h_{ij} \exp\Big\{c(\tau_j) + \sum_k (b_k(\tau_j) - 1)\, \phi_k(\eta_{ij})\Big\}

    with η the log cumulative hazard predicted by the end of bin j against its mean there over the calibration rows
    (cloglog of the return probability), φ the part of η that falls into each of a few segments (so that Σ φ = η: a
    broken line with slopes b), τ running from 0 at the first bin to 1 at the last in equal steps, and intercept c and
    slopes b broken lines in τ. The packs that hold longest may so be mended otherwise than those that are back at
    once. A factor on the hazard is positive, so a curve stays a curve: 1 at day 0 and never rising.

    Fitted by Poisson likelihood of the events in each bin against the predicted ones, which treats censoring, late
    entry and weights exactly. A prior of `prior_outcomes` made-up outcomes that agree with the predictions, spread
    evenly over the nodes of time and the ends of the segments, holds the map to the identity: while real outcomes are
    fewer it moves little.

    Parameters
    ----------
    days : array, optional
        The grid of the curves; defaults to `models.grid.DAYS`.
    prior_outcomes : float
        Strength of the prior, in returns.

    Attributes
    ----------
    knots_ : array, shape (k + 1,)
        Ends of the segments of η.
    intercepts_ : array, shape (t,)
        At the nodes of time; 0 means "as predicted". ``exp(intercepts_)`` is the factor on an average pack's hazard.
    slopes_ : array, shape (t, k)
        Of each segment; 1 means "as predicted".

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
        low, high = float(departure.min(initial=-1e-6)), float(departure.max(initial=1e-6))
        shares = SEGMENT_SHARES if weight.sum() > 0 else ()
        parts = np.quantile(departure, shares, method="inverted_cdf", weights=weight) if shares else np.empty(0)
        self.knots_ = np.unique(np.concatenate([[low], np.clip(parts, low, high), [high]]))

        # The prior as rows of data: at every node of time, at every end of a segment.
        nodes = np.linspace(0.0, 1.0, TIME_NODES)
        count = len(nodes) * len(self.knots_)
        made_up = np.full(count, self.prior_outcomes / count)
        tau = np.concatenate([self._tau()[column], np.repeat(nodes, len(self.knots_))])
        eta = np.concatenate([departure, np.tile(self.knots_, len(nodes))])
        events = np.concatenate([weight * cut.event[row, column], made_up])
        expected = np.concatenate([weight * cut.exposure[row, column] * hazard[row, column], made_up])
        in_time, of_risk = _hats(tau), self._terms(eta)
        basis = (in_time[:, :, None] * of_risk[:, None, :]).reshape(len(tau), -1)
        terms = of_risk.shape[1]

        def loss(change: FloatArray) -> tuple[float, FloatArray]:
            log_factor = np.clip(basis @ change, -30.0, 30.0)
            foreseen = expected * np.exp(log_factor)
            return float(foreseen.sum() - events @ log_factor) / scale, (foreseen - events) @ basis / scale

        scale = events.sum() + 1.0
        bounds = ([(None, None)] + [(MIN_SLOPE - 1.0, None)] * (terms - 1)) * TIME_NODES
        start = np.zeros(TIME_NODES * terms)
        found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-14, "gtol": 1e-9})
        change = found.x.reshape(TIME_NODES, terms)
        self.intercepts_, self.slopes_ = change[:, 0], 1.0 + change[:, 1:]
        return self

    def transform(self, survival: ArrayLike) -> FloatArray:
        """Return recalibrated curves, shape (n, len(days))."""
        check_is_fitted(self)
        hazard = self._hazard(survival)
        eta = np.log(np.cumsum(hazard, axis=1)) - self.centre_
        in_time = _hats(self._tau())
        log_factor = np.broadcast_to(in_time @ self.intercepts_, eta.shape).copy()
        terms = self._terms(eta)[..., 1:]
        log_factor += np.einsum("ijk,jk->ij", terms, in_time @ (self.slopes_ - 1.0))
        total = np.cumsum(hazard * np.exp(log_factor), axis=1)
        return np.hstack([np.ones((len(total), 1)), np.exp(-total)])

    def _terms(self, eta: FloatArray) -> FloatArray:
        """Return 1 and the part of each η, from 0 on, that lies in each segment; past the outer ends nothing is added."""
        low, high = self.knots_[:-1], self.knots_[1:]
        part = np.clip(eta[..., None], low, high) - np.clip(0.0, low, high)
        return np.concatenate([np.ones((*eta.shape, 1)), part], axis=-1)

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


def _hats(tau: FloatArray) -> FloatArray:
    """Return the weights of the time nodes at each τ, shape (len(tau), TIME_NODES): linear between nodes."""
    place = np.asarray(tau)[:, None] * (TIME_NODES - 1) - np.arange(TIME_NODES)
    return np.maximum(1.0 - np.abs(place), 0.0)
