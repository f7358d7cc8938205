"""Two small regressions by damped Newton steps, fast and steady enough to run for every group and day of a report."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from models.base.arrays import Bools, Floats

_STEPS: Final = 60
_ENOUGH: Final = 1e-10


class NoBestFit(ValueError):
    """The likelihood has no single maximum; the message says why."""


@dataclass(frozen=True, eq=False)
class HazardRegression:
    """A fitted proportional hazards model.

    Attributes
    ----------
    coefficients : array, shape (p,)
    days, hazards : array, shape (k,)
        Steps of the baseline cumulative hazard, for a row whose columns are all 0.
    """

    coefficients: Floats
    days: Floats
    hazards: Floats

    def survival(self, columns: Floats, day: float) -> Floats:
        """Return the fitted probability of no event by a day, shape (n,), for columns of shape (n, p)."""
        cumulative = self.hazards[self.days <= day].sum()
        return np.asarray(np.exp(-cumulative * np.exp(columns @ self.coefficients)))


@dataclass(frozen=True, eq=False)
class StatusRegression:
    """A fitted complementary log-log regression.

    Attributes
    ----------
    coefficients : array, shape (p,)
    covariance : array, shape (p, p)
        Robust (sandwich) estimate.
    """

    coefficients: Floats
    covariance: Floats

    def linear(self, columns: Floats) -> tuple[Floats, Floats]:
        """Return the linear predictor and its standard error, shape (n,) each, for columns of shape (n, p)."""
        spread = np.einsum("ij,jk,ik->i", columns, self.covariance, columns)
        return columns @ self.coefficients, np.sqrt(spread)


def fit_hazard_regression(columns: Floats, time: Floats, event: Bools, entry: Floats) -> HazardRegression:
    """Maximise the partial likelihood with Efron's handling of ties; the baseline uses the same handling.

    Parameters
    ----------
    columns : array, shape (n, p)
        Without a constant.
    time, event, entry : array, shape (n,)
        At risk while ``entry < t <= time``; an entry of 0 or less is before every day.

    Raises
    ------
    NoBestFit
        If there are too few events, or a column separates them.

    References
    ----------
    Efron, J. Am. Stat. Assoc. 72, 557-565, 1977; Therneau & Grambsch, Modeling Survival Data, 2000, section 3.3.
    """
    if not event.any():
        raise NoBestFit("there is no event")
    centre = columns.mean(axis=0)
    x = columns - centre
    sets = _RiskSets(time, event, entry)
    beta = _climb(lambda at: sets.likelihood(x, at), np.zeros(x.shape[1]))
    return HazardRegression(beta, sets.days, sets.hazards(x, beta) * np.exp(-centre @ beta))


def fit_status_regression(
    columns: Floats, returned: Bools, weights: Floats, start: Floats, offset: Floats | float = 0.0
) -> StatusRegression:
    r"""Fit :math:`\log(-\log(1 - P)) = o + X\beta` to a yes-or-no status with row weights.

    Parameters
    ----------
    columns : array, shape (n, p)
        With a constant, if one is wanted.
    returned : array of bool, shape (n,)
    weights : array, shape (n,)
        Positive.
    start : array, shape (p,)
        Where to begin.
    offset : array, shape (n,), or float

    Raises
    ------
    NoBestFit
        If a column separates the statuses.

    References
    ----------
    McCullagh & Nelder, Generalized Linear Models, 2nd ed., 1989, section 4.3; White, Econometrica 50, 1-25, 1982.
    """

    def parts(beta: Floats) -> tuple[Floats, Floats, Floats]:
        # Bounded so that a wild first step overflows nothing; the likelihood there is hopeless anyway.
        m = np.exp(np.clip(offset + columns @ beta, -30.0, 30.0))
        return m, -np.expm1(-m), m * np.exp(-m) / -np.expm1(-m)

    def likelihood(beta: Floats) -> tuple[float, Floats, Floats]:
        m, risk, pull = parts(beta)
        value = float(weights @ np.where(returned, np.log(risk), -m))
        slope = weights * np.where(returned, pull, -m)
        bend = weights * np.where(returned, pull * (m + pull - 1), m)
        return value, columns.T @ slope, (columns * bend[:, None]).T @ columns

    beta = _climb(likelihood, start)
    m, _, pull = parts(beta)
    slope = weights * np.where(returned, pull, -m)
    inverse = np.linalg.inv(likelihood(beta)[2])
    meat = (columns * (slope**2)[:, None]).T @ columns
    return StatusRegression(beta, inverse @ meat @ inverse)


def _climb(likelihood: Callable[[Floats], tuple[float, Floats, Floats]], start: Floats) -> Floats:
    """Maximise a concave function given its value, gradient and negative second derivatives."""
    at = start
    value, gradient, information = likelihood(at)
    for _ in range(_STEPS):
        try:
            step = np.linalg.solve(information, gradient)
        except np.linalg.LinAlgError as error:
            raise NoBestFit("its columns say the same thing twice") from error
        if gradient @ step < _ENOUGH:
            return at
        # A full step can overshoot; halve it until the likelihood rises.
        for _ in range(_STEPS):
            found = likelihood(at + step)
            if found[0] >= value:
                break
            step = step / 2
        at = at + step
        value, gradient, information = found
    raise NoBestFit("there are too few events, or the columns separate them")


class _RiskSets:
    """Sums over the rows at risk on each event day, for any coefficients."""

    def __init__(self, time: Floats, event: Bools, entry: Floats) -> None:
        self.days, self.place = np.unique(time[event], return_inverse=True)
        self.event = event
        counts = np.bincount(self.place, minlength=self.days.size)
        order = np.argsort(self.place, kind="stable")
        rank = np.empty(order.size)
        rank[order] = np.arange(order.size) - np.repeat(np.cumsum(counts) - counts, counts)
        self.tied_share = rank / counts[self.place]
        self.late = entry > 0
        self.leaving = np.searchsorted(self.days, time, side="right")  # event days on or before its own
        self.entering = np.searchsorted(self.days, entry[self.late], side="right")

    def likelihood(self, x: Floats, beta: Floats) -> tuple[float, Floats, Floats]:
        """Return the log partial likelihood, its gradient and its information."""
        p = x.shape[1]
        eta = x @ beta
        w = np.exp(eta - eta.max())
        squares = (x[:, :, None] * x[:, None, :]).reshape(len(x), -1)
        sums = self._per_event(w[:, None] * np.hstack([np.ones((len(x), 1)), x, squares]))
        zeroth, mean = sums[:, 0], sums[:, 1 : p + 1] / sums[:, :1]
        value = float((eta[self.event] - eta.max() - np.log(zeroth)).sum())
        information = (sums[:, p + 1 :] / sums[:, :1]).sum(axis=0).reshape(p, p) - mean.T @ mean
        return value, (x[self.event] - mean).sum(axis=0), information

    def hazards(self, x: Floats, beta: Floats) -> Floats:
        """Return the steps of the baseline hazard, shape (k,)."""
        zeroth = self._per_event(np.exp(x @ beta)[:, None])[:, 0]
        return np.bincount(self.place, weights=1 / zeroth, minlength=self.days.size).astype(np.float64)

    def _per_event(self, values: Floats) -> Floats:
        """Sum over the rows at risk with each event, less the shares of its tied predecessors."""
        size = self.days.size + 1
        # A row belongs to the event days from its entry (exclusive) to its own day (inclusive).
        ends = np.stack([np.bincount(self.leaving, weights=v, minlength=size) for v in values.T])
        starts = np.stack([np.bincount(self.entering, weights=v[self.late], minlength=size) for v in values.T])
        gone = np.cumsum(ends, axis=1) - np.cumsum(starts, axis=1)
        at_risk = (values[~self.late].sum(axis=0)[:, None] - gone[:, :-1]).T
        died = np.stack([np.bincount(self.place, weights=v, minlength=size - 1) for v in values[self.event].T], axis=1)
        return np.asarray(at_risk[self.place] - self.tied_share[:, None] * died[self.place], dtype=np.float64)
