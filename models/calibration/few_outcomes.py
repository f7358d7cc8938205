"""Recalibration by three numbers, for few outcomes: held by a prior, and no further than the evidence carries."""

from __future__ import annotations

from typing import Final, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.calibration.recalibration import MIN_SLOPE, cumulative_hazards
from models.survival.estimator import FloatArray, check_grid, check_outcomes
from models.survival.person_periods import bins_of

PRIOR_SD: Final = (0.4, 0.1, 0.1)
"""Standard deviations of the normal prior of level, spread and tilt. Invented: a place may well have a hazard two
fifths higher or lower than a model believes; how much forecasts differ, and how soon returns come, carry over better.
The last two were chosen on simulated places (`tests/benchmarks/bench_learning.py`), and held on other records of them.
"""

TOLL: Final = 1.0
"""Nats of penalised log-likelihood: twice what one parameter gains by chance (half a chi-square with one degree of
freedom has the mean 1/2). Chosen on simulated places (`tests/benchmarks/bench_learning.py`)."""

STRAYS: Final = 0.02
"""Share of recorded outcomes that tell of something else: another top-up, another block, a wrong date. Without it one
return on a day that a model held for impossible outweighs a hundred others. Invented."""


class ShiftRecalibration(BaseEstimator):  # type: ignore[misc]
    r"""Moves the logarithm of the predicted cumulative hazard by a level, a spread and a tilt in time.

    .. math:: \log H'_{ij} = \log H_{ij} + a + b\, (\log H_{ij} - c_j) + d\, \tau_j

    with c the mean of log H in bin j over the rows learned from and τ running from −1 in the first bin to 1 in the
    last. Found by penalised likelihood of the bin in which each return fell, exact for late entry and weights, with
    normal priors around 0. A share of outcomes, `strays`, may have come on any day at all. All three are then shrunk by
    the factor 1 − `toll`/gain, or to 0 if the gain over "as predicted" is less than the toll: what a handful of
    outcomes might as well have turned round is not worth having.

    Parameters
    ----------
    days : array, optional
        The grid of the curves; defaults to `models.base.day_grid.DAYS`.
    prior_sd : tuple of float
        Of a, b and d.
    toll : float
        Nats.
    strays : float
        Share of outcomes that no curve need explain: spread evenly over twice the grid.

    Attributes
    ----------
    level_, spread_, tilt_ : float
        a, b, d. All 0 where nothing is moved.
    gain_ : float
        Nats by which the penalised likelihood rose before shrinking.
    share_ : float
        How much shrinking left.

    References
    ----------
    Cox (1958), Two further applications of a model for binary regression, Biometrika 45, 562-565, for level and
    spread; Steyerberg et al. (2004), Validation and updating of predictive logistic regression models, Statistics in
    Medicine 23, 2567-2586, for shrinking an update to the earlier model; James & Stein (1961) for a factor that
    falls to 0 where the evidence does (all from memory, unverified).
    """

    def __init__(
        self,
        days: ArrayLike | None = None,
        prior_sd: tuple[float, float, float] = PRIOR_SD,
        toll: float = TOLL,
        strays: float = STRAYS,
    ) -> None:
        self.days = days
        self.prior_sd = prior_sd
        self.toll = toll
        self.strays = strays

    def fit(
        self,
        survival: ArrayLike,
        time: ArrayLike,
        event: ArrayLike,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> Self:
        """Learn level, spread and tilt.

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
        log_total = np.log(cumulative_hazards(survival, self.grid_))
        if len(log_total) != len(outcomes):
            raise BadInput.one(
                "survival", f"has {len(log_total)} rows; time has {len(outcomes)}.", "Give a curve for each outcome."
            )
        outcomes = outcomes.until(float(self.grid_[-1]))
        used = (outcomes.entry < outcomes.time) & (outcomes.weights > 0)
        log_total, outcomes = log_total[used], outcomes.take(used)
        weight = outcomes.weights
        self.centre_ = np.average(log_total, axis=0, weights=weight)
        ends, starts = bins_of(self.grid_, outcomes.time), bins_of(self.grid_, outcomes.entry)
        width = np.diff(self.grid_)
        passed = (outcomes.time - self.grid_[ends]) / width[ends]
        missed = (outcomes.entry - self.grid_[starts]) / width[starts]
        before, after, into, out_of = (self._basis(log_total, j) for j in (ends - 1, ends, starts - 1, starts))
        precision = 1.0 / np.square(self.prior_sd)
        everywhere = 2 * self.grid_[-1]
        anywhere = np.where(outcomes.event, width[ends], everywhere - outcomes.time) / (everywhere - outcomes.entry)
        with np.errstate(divide="ignore"):
            own, stray = np.log1p(-self.strays), np.log(self.strays * anywhere)

        def loss(change: FloatArray) -> float:
            h0, h1, e0, e1 = (_hazard(point, change) for point in (before, after, into, out_of))
            gained = np.maximum(h1 - h0, 1e-12)
            last = np.where(outcomes.event, np.log(-np.expm1(-gained)), -passed * gained)
            of_curve = last - h0 + e0 + missed * (e1 - e0)
            return float(0.5 * precision @ np.square(change) - weight @ np.logaddexp(own + of_curve, stray))

        nothing = np.zeros(3)
        bounds = [(None, None), (MIN_SLOPE - 1.0, None), (None, None)]
        found = minimize(loss, nothing, method="L-BFGS-B", bounds=bounds)
        self.gain_ = float(loss(nothing) - found.fun)
        self.share_ = max(0.0, 1.0 - self.toll / self.gain_) if self.gain_ > 0 else 0.0
        self.level_, self.spread_, self.tilt_ = (float(value) for value in self.share_ * found.x)
        return self

    def transform(self, survival: ArrayLike, groups: ArrayLike | None = None) -> FloatArray:  # noqa: ARG002
        """Return recalibrated curves, shape (n, len(days)); `groups` makes no difference."""
        check_is_fitted(self)
        if self.level_ == self.spread_ == self.tilt_ == 0:
            return np.asarray(survival, dtype=np.float64)
        log_total = np.log(cumulative_hazards(survival, self.grid_))
        moved = log_total + self.level_ + self.spread_ * (log_total - self.centre_) + self.tilt_ * self._tau()
        total = np.maximum.accumulate(np.exp(np.clip(moved, -60.0, 60.0)), axis=1)
        return np.hstack([np.ones((len(total), 1)), np.exp(-total)])

    def _tau(self) -> FloatArray:
        return np.linspace(-1.0, 1.0, len(self.grid_) - 1)

    def _basis(self, log_total: FloatArray, bins: NDArray[np.intp]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return log H at a bin of each row (−inf for bin −1), its departure from the centre, and τ."""
        at = np.maximum(bins, 0)
        own = log_total[np.arange(len(at)), at]
        return np.where(bins < 0, -np.inf, own), own - self.centre_[at], self._tau()[at]


def _hazard(point: tuple[FloatArray, FloatArray, FloatArray], change: FloatArray) -> FloatArray:
    own, departure, tau = point
    return np.asarray(np.exp(np.minimum(own + change[0] + change[1] * departure + change[2] * tau, 60.0)))
