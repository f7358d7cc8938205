"""First passage of a drifting Wiener process, and the threshold regression built on it.

A deficit that grows by a drift μ per day, shaken by a standard deviation σ per √day, first reaches the level a > 0 on
a random day. For a constant leak this is the return day of a topped-up block, so it is the physics baseline. With
μ > 0 the law is the inverse Gaussian of mean a/μ and shape a²/σ²; with μ < 0 the level is reached at all only with
probability exp(2aμ/σ²).
"""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import erfcx, log_ndtr
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.estimators.parametric import Graded, Law, ParametricRegression

_LOG_ROOT_2PI: Final = 0.5 * np.log(2 * np.pi)
_LEAST_GAP: Final = 1e-20
"""Relative difference of the two terms of S below which double precision cannot tell them apart."""


def log_survival(time: ArrayLike, level: ArrayLike, drift: ArrayLike, sd: ArrayLike = 1.0) -> Floats:
    """Return the log probability that the level has not been reached by a time.

    log S(t) = log[Φ(u) − exp(2aμ/σ²) Φ(−v)] with u = (a − μt)/σ√t and v = (a + μt)/σ√t. Since
    exp(2aμ/σ²) φ(v) = φ(u), the second term is φ(u) R(v) with the Mills ratio R(x) = Φ(−x)/φ(x), which never overflows.

    Parameters
    ----------
    time : array_like
        Days, 0 or more.
    level, drift, sd : array_like
        a > 0, μ of any sign per day, σ > 0 per √day; broadcast against `time`.

    Returns
    -------
    array
        0 at time 0.
    """
    t, a, m = _standard(time, level, drift, sd)
    return np.where(t > 0, _log_survival(_positive(t), a, m), 0.0)


def survival(time: ArrayLike, level: ArrayLike, drift: ArrayLike, sd: ArrayLike = 1.0) -> Floats:
    """Return the probability that the level has not been reached by a time (parameters as in `log_survival`)."""
    return np.exp(log_survival(time, level, drift, sd))


def cdf(time: ArrayLike, level: ArrayLike, drift: ArrayLike, sd: ArrayLike = 1.0) -> Floats:
    """Return the probability that the level has been reached by a time (parameters as in `log_survival`).

    Examples
    --------
    >>> cdf(1.0, level=1.0, drift=1.0).round(6).item()
    0.668102
    """
    t, a, m = _standard(time, level, drift, sd)
    u, v = _scores(_positive(t), a, m)
    return np.where(t > 0, np.exp(np.minimum(np.logaddexp(log_ndtr(-u), _log_normal(u) + _log_mills(v)), 0.0)), 0.0)


def pdf(time: ArrayLike, level: ArrayLike, drift: ArrayLike, sd: ArrayLike = 1.0) -> Floats:
    """Return the density per day, a / (σ √(2π t³)) · exp(−u²/2) (parameters as in `log_survival`)."""
    t, a, m = _standard(time, level, drift, sd)
    return np.where(t > 0, np.exp(_log_density(_positive(t), a, m)), 0.0)


def ever(level: ArrayLike, drift: ArrayLike, sd: ArrayLike = 1.0) -> Floats:
    """Return the probability that the level is reached at all: 1, or exp(2aμ/σ²) for a negative drift."""
    _, a, m = _standard(0.0, level, drift, sd)
    return np.exp(np.minimum(2 * a * m, 0.0))


def quantile(probability: ArrayLike, level: ArrayLike, drift: ArrayLike, sd: ArrayLike = 1.0) -> Floats:
    """Return the day by which the level is reached with a probability, infinite if it never is.

    Found by bisection on log time: the distribution function has no closed inverse, and bisection cannot fail.

    Parameters
    ----------
    probability : array_like
        From 0 up to, but not including, 1.
    level, drift, sd : array_like
        As in `log_survival`.
    """
    target = np.asarray(probability, dtype=np.float64)
    if np.any((target < 0) | (target >= 1)):
        raise ValueError("probability must lie in [0, 1)")
    target, a, m = np.broadcast_arrays(target, *_standard(0.0, level, drift, sd)[1:])
    # In units of a² the level is 1 and one bracket of log time serves every law.
    low, high = np.full(target.shape, -80.0), np.full(target.shape, 80.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = cdf(np.exp(middle), 1.0, a * m) < target
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    day = a**2 * np.exp(0.5 * (low + high))
    return np.where(target == 0, 0.0, np.where(target < ever(a, m), day, np.inf))


class FirstPassageLaw:
    """The law in its log level and its drift, σ = 1: only a/σ and μ/σ can be known from passage times."""

    def log_density(self, time: Floats, first: Floats, second: Floats) -> Graded:
        """Return log f and its derivatives by log level and drift."""
        a = _level(first)
        u, _ = _scores(time, a, second)
        root = np.sqrt(time)
        return _log_density(time, a, second), 1 - a * u / root, u * root

    def log_survival(self, time: Floats, first: Floats, second: Floats) -> Graded:
        """Return log S and its derivatives by log level and drift."""
        a = _level(first)
        u, v = _scores(time, a, second)
        value = _log_survival(time, a, second)
        normal = _log_normal(u)
        share = np.exp(normal - value)
        tail = np.exp(normal + _log_mills(v) - value)
        return value, a * (2 * share / np.sqrt(time) - 2 * second * tail), -2 * a * tail


class FirstPassageRegression(ParametricRegression):
    """Threshold regression: log level and drift of a Wiener process are linear in the levelled features.

    Missing features are filled by their median and flagged. See `ParametricRegression` for the fit.

    Parameters
    ----------
    ridge : float
        Strength of the penalty on the coefficients, in units of log-likelihood.

    References
    ----------
    Lee & Whitmore (2006), Threshold regression for survival analysis, Statistical Science 21(4), 501-513.
    """

    law: ClassVar[Law] = FirstPassageLaw()
    second_follows_features: ClassVar[bool] = True
    start: ClassVar[tuple[float, float]] = (0.0, 0.5)
    # With the mean time as unit and level equal to drift the coefficient of variation is 1/level: at least 1/150 here.
    bounds: ClassVar[tuple[tuple[float, float], tuple[float, float]]] = ((-6.0, 5.0), (-20.0, 150.0))

    def level_and_drift(self, X: ArrayLike | pd.DataFrame) -> tuple[Floats, Floats]:
        """Return a/σ in √days and μ/σ per √day, each shape (n,)."""
        check_is_fitted(self)
        first, second = self._parameters(self.coefficients_, self.linear_.apply(self.features_.read(X)))
        root = np.sqrt(self.time_scale_)
        return _level(first) * root, second / root


def _standard(time: ArrayLike, level: ArrayLike, drift: ArrayLike, sd: ArrayLike) -> tuple[Floats, Floats, Floats]:
    t, a, m, s = (np.asarray(v, dtype=np.float64) for v in (time, level, drift, sd))
    if np.any(t < 0) or np.any(a <= 0) or np.any(s <= 0):
        raise ValueError("time must not be negative; level and sd must be positive")
    return t, a / s, m / s


def _positive(t: Floats) -> Floats:
    """Return times one may divide by: day 0 is answered apart, and nothing happens within 1e-100 days of it."""
    return np.asarray(np.where(t > 0, np.maximum(t, 1e-100), 1.0))


def _level(log_level: Floats) -> Floats:
    # A line search may try absurd values; at e^20 the survival is 1 in double precision anyway.
    return np.exp(np.clip(log_level, -20.0, 20.0))


def _scores(t: Floats, a: Floats, m: Floats) -> tuple[Floats, Floats]:
    root = np.sqrt(t)
    return a / root - m * root, a / root + m * root


def _log_normal(x: Floats) -> Floats:
    return np.asarray(-0.5 * x * x - _LOG_ROOT_2PI)


def _log_mills(x: Floats) -> Floats:
    """log[Φ(−x)/φ(x)]: by the scaled error function on the right, where Φ(−x) underflows, else directly."""
    right = np.log(erfcx(np.maximum(x, 0.0) / np.sqrt(2.0))) + 0.5 * np.log(np.pi / 2)
    return np.asarray(np.where(x > 0, right, log_ndtr(-x) - _log_normal(x)))


def _log_density(t: Floats, a: Floats, m: Floats) -> Floats:
    u, _ = _scores(t, a, m)
    return np.asarray(np.log(a) - 1.5 * np.log(t) + _log_normal(u))


def _log_survival(t: Floats, a: Floats, m: Floats) -> Floats:
    u, v = _scores(t, a, m)
    # Both branches are φ(u)[R(−u) − R(v)]; the first keeps Φ(u) whole while it is near 1.
    outer = np.where(u > 0, log_ndtr(u), _log_normal(u) + _log_mills(-u))
    ratio = np.minimum(_log_normal(u) + _log_mills(v) - outer, 0.0)
    return np.asarray(outer + np.log(np.maximum(-np.expm1(ratio), _LEAST_GAP)))
