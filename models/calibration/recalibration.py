"""Recalibration: predicted hold curves moved to agree with what then happened, and no further than that supports."""

from __future__ import annotations

from typing import Final, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.survival.estimator import Outcomes, check_grid, check_outcomes
from models.survival.person_periods import PersonPeriods, bins_of

MIN_SLOPE: Final = 0.1
"""Least slope: a recalibration may draw forecasts together, but never turn their order round."""


TIME_NODES: Final = 3
"""Nodes of the broken lines in time: the first, the middle and the last bin."""

SEGMENT_SHARES: Final = (0.15, 0.5, 0.85)
"""Shares of the calibration rows' person-periods at which the segments of η part. Invented."""


class Recalibration(BaseEstimator):  # type: ignore[misc]
    r"""Moves each predicted cumulative hazard along a line that is broken in the predicted risk and in time.

    .. math:: \log H'_{ij} = \log H_{ij} + c(\tau_j) + \sum_k (b_k(\tau_j) - 1)\, \phi_k(\eta_{ij})

    with H the cumulative hazard predicted by the end of bin j, η its logarithm against the mean there over the
    calibration rows (cloglog of the return probability), φ the part of η that falls into each of a few segments (so
    that Σ φ = η: a broken line with slopes b), τ running from 0 at the first bin to 1 at the last in equal steps, and
    intercept c and slopes b broken lines in τ. The packs that hold longest may so be mended otherwise than those that
    are back at once. Slopes are positive, so the order of two curves that do not cross is kept: what may only hasten a
    return still may. Where H' would fall with time it stays at the highest value reached.

    Fitted by the likelihood of the bin in which each return fell, exact for late entry and weights; a row censored
    within a bin counts for its share of it. A prior of `prior_outcomes` made-up outcomes that agree with the
    predictions, spread evenly over the nodes of time and the ends of the segments, holds the map to the identity:
    while real outcomes are fewer it moves little.

    Parameters
    ----------
    days : array, optional
        The grid of the curves; defaults to `models.base.day_grid.DAYS`.
    prior_outcomes : float
        Strength of the prior, in returns.

    Attributes
    ----------
    knots_ : array, shape (k + 1,)
        Ends of the segments of η.
    intercepts_ : array, shape (t,)
        At the nodes of time; 0 means "as predicted". ``exp(intercepts_)`` is the factor on the cumulative hazard of
        an average pack.
    slopes_ : array, shape (t, k)
        Of each segment; 1 means "as predicted".

    References
    ----------
    Cox (1958), Two further applications of a model for binary regression, Biometrika 45, 562-565, for intercept and
    slope; Crowson, Atkinson & Therneau (2016), Assessing calibration of prognostic risk scores, Statistical Methods in
    Medical Research 25(4), 1692-1706, for recalibration under censoring.
    """

    def __init__(self, days: ArrayLike | None = None, prior_outcomes: float = 40.0) -> None:
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
        total = cumulative_hazards(survival, self.grid_)
        if len(total) != len(outcomes):
            raise BadInput.one(
                "survival", f"has {len(total)} rows; time has {len(outcomes)}.", "Give a curve for each outcome."
            )
        outcomes = outcomes.until(float(self.grid_[-1]))
        used = (outcomes.entry < outcomes.time) & (outcomes.weights > 0)
        total, outcomes = total[used], outcomes.take(used)
        weight = outcomes.weights
        log_total = np.log(total)
        self._place(log_total, outcomes)

        ends = bins_of(self.grid_, outcomes.time)
        starts = bins_of(self.grid_, outcomes.entry)
        width = np.diff(self.grid_)
        passed = np.where(outcomes.event, 0.0, (outcomes.time - self.grid_[ends]) / width[ends])
        missed = (outcomes.entry - self.grid_[starts]) / width[starts]
        # Cumulative hazards before and after the last bin and the bin of entry; the first bin starts from 0.
        points = [self._point(log_total, j) for j in (ends - 1, ends, starts - 1, starts)]
        made_up_basis, made_up = self._made_up()

        def loss(change: Floats) -> tuple[float, Floats]:
            (h0, d0), (h1, d1), (e0, f0), (e1, f1) = (_moved(point, change) for point in points)
            gained = np.maximum(h1 - h0, 1e-12)
            end = np.where(outcomes.event, np.log(-np.expm1(-gained)), -passed * gained)
            by_gain = np.where(outcomes.event, 1.0 / np.expm1(np.minimum(gained, 500.0)), -passed)
            by_gain = np.where(h1 - h0 > 1e-12, by_gain, 0.0)
            entered = e0 + missed * (e1 - e0)
            log_likelihood = weight @ (end - h0 + entered)
            slope = (weight * by_gain) @ (d1 - d0) - weight @ d0 + weight @ (f0 + missed[:, None] * (f1 - f0))
            log_factor = np.clip(made_up_basis @ change, -30.0, 30.0)
            expected = made_up * np.exp(log_factor)
            prior = made_up @ log_factor - expected.sum()
            return -(log_likelihood + prior) / scale, -(slope + (made_up - expected) @ made_up_basis) / scale

        scale = float(weight @ outcomes.event) + 1.0
        terms = len(self.knots_)
        bounds = ([(None, None)] + [(MIN_SLOPE - 1.0, None)] * (terms - 1)) * TIME_NODES
        start = np.zeros(TIME_NODES * terms)
        found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-13, "gtol": 1e-8})
        change = found.x.reshape(TIME_NODES, terms)
        self.intercepts_, self.slopes_ = change[:, 0], 1.0 + change[:, 1:]
        return self

    def transform(self, survival: ArrayLike, groups: ArrayLike | None = None) -> Floats:  # noqa: ARG002
        """Return recalibrated curves, shape (n, len(days)); `groups` makes no difference."""
        check_is_fitted(self)
        log_total = np.log(cumulative_hazards(survival, self.grid_))
        eta = log_total - self.centre_
        in_time = _hats(self._tau())
        factor = in_time @ self.intercepts_ + np.einsum(
            "ijk,jk->ij", self._terms(eta)[..., 1:], in_time @ (self.slopes_ - 1)
        )
        moved = np.maximum.accumulate(np.exp(np.clip(log_total + factor, -60.0, 60.0)), axis=1)
        return np.hstack([np.ones((len(moved), 1)), np.exp(-moved)])

    def _place(self, log_total: Floats, outcomes: Outcomes) -> None:
        """Set centre and knots from the bins in which each row was at risk."""
        cut = PersonPeriods.cut(outcomes, self.grid_)
        row, column = np.nonzero(cut.exposure > 0)
        weight = outcomes.weights[row]
        bins = len(self.grid_) - 1
        at_risk = np.bincount(column, weight, bins)
        # Bins in which nobody was at risk borrow the mean of all rows, so that curves can be read there too.
        everywhere = np.average(log_total, axis=0, weights=outcomes.weights) if len(log_total) else np.zeros(bins)
        here = np.bincount(column, weight * log_total[row, column], bins)
        self.centre_ = np.where(at_risk > 0, here / np.maximum(at_risk, 1e-300), everywhere)
        departure = log_total[row, column] - self.centre_[column]
        low, high = float(departure.min(initial=-1e-6)), float(departure.max(initial=1e-6))
        shares = SEGMENT_SHARES if weight.sum() > 0 else ()
        parts = np.quantile(departure, shares, method="inverted_cdf", weights=weight) if shares else np.empty(0)
        self.knots_ = np.unique(np.concatenate([[low], np.clip(parts, low, high), [high]]))

    def _point(self, log_total: Floats, bins: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Predicted cumulative hazard of each row by the end of its own bin, and its basis; bin −1 is day 0."""
        at = np.maximum(bins, 0)
        own = log_total[np.arange(len(at)), at]
        of_risk = self._terms(own - self.centre_[at])
        basis = (_hats(self._tau()[at])[:, :, None] * of_risk[:, None, :]).reshape(len(at), -1)
        return np.where(bins < 0, 0.0, np.exp(own)), basis

    def _made_up(self) -> tuple[Floats, Floats]:
        """Return the prior as rows of data: at every node of time, at every end of a segment."""
        nodes = np.linspace(0.0, 1.0, TIME_NODES)
        of_risk = self._terms(np.tile(self.knots_, TIME_NODES))
        basis = (_hats(np.repeat(nodes, len(self.knots_)))[:, :, None] * of_risk[:, None, :]).reshape(len(of_risk), -1)
        return basis, np.full(len(of_risk), self.prior_outcomes / len(of_risk))

    def _terms(self, eta: Floats) -> Floats:
        """Return 1 and the part of each η, counted from 0, in each segment; past the outer ends nothing is added."""
        low, high = self.knots_[:-1], self.knots_[1:]
        part = np.clip(eta[..., None], low, high) - np.clip(0.0, low, high)
        return np.concatenate([np.ones((*eta.shape, 1)), part], axis=-1)

    def _tau(self) -> Floats:
        return np.linspace(0.0, 1.0, len(self.grid_) - 1)


def cumulative_hazards(survival: ArrayLike, grid: Floats) -> Floats:
    """Return the cumulative hazard of hold curves at the end of each bin, shape (n, bins).

    Raises
    ------
    BadInput
        If the curves do not lie on the grid, leave 0 to 1 or rise.
    """
    curves = np.asarray(survival, dtype=np.float64)
    if curves.ndim != 2 or curves.shape[1] != len(grid):
        raise BadInput.one("survival", f"has shape {curves.shape}.", f"Give curves on the grid: (n, {len(grid)}).")
    if not np.all((curves >= 0) & (curves <= 1)) or np.any(np.diff(curves, axis=1) > 1e-12):
        raise BadInput.one("survival", "leaves 0 to 1 or rises with time.", "Give probabilities of holding.")
    # A hazard of exactly 0 could never be mended by a factor; 1e-9 a bin is below every claim made.
    gained = np.maximum(-np.diff(np.log(np.maximum(curves, 1e-12)), axis=1), 1e-9)
    return np.asarray(np.cumsum(gained, axis=1))


def _moved(point: tuple[Floats, Floats], change: Floats) -> tuple[Floats, Floats]:
    """Return the moved cumulative hazard and its gradient."""
    total, basis = point
    moved = total * np.exp(np.clip(basis @ change, -30.0, 30.0))
    return moved, moved[:, None] * basis


def _hats(tau: Floats) -> Floats:
    """Return the weights of the time nodes at each τ, shape (len(tau), TIME_NODES): linear between nodes."""
    place = np.asarray(tau)[:, None] * (TIME_NODES - 1) - np.arange(TIME_NODES)
    return np.maximum(1.0 - np.abs(place), 0.0)


class GroupRecalibration(BaseEstimator):  # type: ignore[misc]
    """`Recalibration` of all forecasts, and on top of it of each group, as far as the group's own outcomes go.

    Parameters
    ----------
    days : array, optional
        The grid of the curves; defaults to `models.base.day_grid.DAYS`.
    prior_outcomes : float
        Strength of the prior of the first map, in returns.
    group_prior_outcomes : float
        Of each group's map: made-up outcomes that agree with what the first map says.
    """

    def __init__(
        self, days: ArrayLike | None = None, prior_outcomes: float = 40.0, group_prior_outcomes: float = 60.0
    ) -> None:
        self.days = days
        self.prior_outcomes = prior_outcomes
        self.group_prior_outcomes = group_prior_outcomes

    def fit(
        self,
        survival: ArrayLike,
        time: ArrayLike,
        event: ArrayLike,
        groups: ArrayLike,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> Self:
        """Learn both maps; `groups`, shape (n,), names each row's group, the rest is as for `Recalibration.fit`."""
        outcomes = check_outcomes(time, event, entry, weights)
        rows = (outcomes.time, outcomes.event, outcomes.entry, outcomes.weights)
        self.overall_ = Recalibration(self.days, self.prior_outcomes).fit(survival, *rows)
        curves, labels = self.overall_.transform(survival), np.asarray(groups)
        self.by_group_: dict[str, Recalibration] = {}
        for label in np.unique(labels):
            some = labels == label
            own = Recalibration(self.days, self.group_prior_outcomes)
            self.by_group_[str(label)] = own.fit(curves[some], *(part[some] for part in rows))
        return self

    def transform(self, survival: ArrayLike, groups: ArrayLike) -> Floats:
        """Return recalibrated curves, shape (n, len(days)); a group never seen gets the first map alone."""
        check_is_fitted(self)
        curves, labels = self.overall_.transform(survival), np.asarray(groups)
        for label, own in self.by_group_.items():
            some = labels == label
            if some.any():
                curves[some] = own.transform(curves[some])
        return curves
