"""Smooth calibration: the observed risk as a function of the forecast risk, and how far it lies from the diagonal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.survival.censoring_weights import MIN_FOLLOWED, censoring_weights
from models.survival.kaplan_meier import KaplanMeier
from training.scoring.held_out import LEAST_RISK, NotEstimable, checked_days, held_out
from training.scoring.local_regression import NoBestFit, StatusRegression, fit_hazard_regression, fit_status_regression

Observed = Literal["status", "hazard"]

_KNOTS: Final = (0.1, 0.5, 0.9)
"""Percentiles of the three knots, Harrell, Regression Modeling Strategies, 2nd ed., 2015, table 2.3."""

_FEW: Final = 100
"""Below so many rows the outer knots move to the 5th smallest and largest value (same source, section 2.4.6)."""

_CURVE_POINTS: Final = 41

_CERTAIN: Final = 4.0
"""Complementary log-log risk past which a return is taken as certain: 1 − exp(−exp(4)) is 1 to double precision."""

_LEAST_EACH: Final = 5
"""Fewer returns, or fewer holds, than this carry no regression (common practice, no source)."""


@dataclass(frozen=True)
class SmoothCalibration:
    """How far the smoothed observed risk lies from the forecast risk, over the rows.

    Attributes
    ----------
    index : float
        Integrated calibration index: mean absolute distance.
    index_by_chance : float or None
        About what the index would be for perfectly calibrated forecasts on as many rows; None with the hazard
        regression.
    median, ninetieth : float
        E50 and E90: median and 90th percentile of the distance.
    forecast, observed : tuple of float, length 41
        The curve, over the central 98 % of the forecast risks.
    low, high : tuple of float, length 41
        Its pointwise interval; empty with the hazard regression.
    """

    index: float
    index_by_chance: float | None
    median: float
    ninetieth: float
    forecast: tuple[float, ...]
    observed: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    rows: int


@dataclass(frozen=True)
class CalibrationLine:
    """Straight-line calibration on the complementary log-log scale.

    Attributes
    ----------
    intercept, intercept_low, intercept_high : float
        With the slope held at 1. Above 0: more returns than forecast; exp(intercept) multiplies the cumulative hazard.
    slope, slope_low, slope_high : float
        Below 1: forecasts too far apart (high risks too high, low ones too low). Above 1: too close together.
    """

    intercept: float
    intercept_low: float
    intercept_high: float
    slope: float
    slope_low: float
    slope_high: float
    rows: int


def integrated_calibration_index(
    survival: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None = None,
    *,
    day: float,
    observed_by: Observed = "status",
    grid: Floats = DAYS,
    censoring: KaplanMeier | Floats | None = None,
    min_followed: float = MIN_FOLLOWED,
    confidence: float = 0.95,
) -> SmoothCalibration:
    r"""Smooth the observed risk over the forecast risk by a day and measure its distance from the diagonal.

    .. math:: \mathrm{ICI} = \frac1n \sum_i |\hat p(F_i) - F_i|, \quad x_i = \log(-\log(1 - F_i))

    where :math:`\hat p` is one of two regressions on a restricted cubic spline of x with three knots:

    - ``"status"``: complementary log-log regression of the status by that day, with inverse probability of censoring
      weights. It assumes nothing about other days, and takes informative censoring through `censoring`.
    - ``"hazard"``: proportional hazards regression of the whole follow-up (Austin et al.), the figure to compare with
      published ones. It takes the ranking by forecast to act alike on all days. Where it does not (a first passage,
      above all), even perfect forecasts score badly: 0.06 on day 7 of 20,000 inverse Gaussian lives. It treats
      censoring as independent given the forecast, and has no use for `censoring`.

    **Late entry.** With ``"status"`` a row that entered on day e counts for days after e, with the forecast
    1 − S(t)/S(e). With ``"hazard"`` it is at risk from e on, with its forecast from the origin.

    Parameters
    ----------
    survival, time, event, entry, grid, censoring, min_followed
        As in `training.scoring.brier.brier_score`.
    observed_by : {"status", "hazard"}
    confidence : float
        Of the curve's interval (``"status"`` only).

    Raises
    ------
    BadInput
        If shapes or values do not fit.
    NotEstimable
        If all forecasts are alike, or there are too few returns to fit the regression.

    References
    ----------
    Austin, Harrell & van Klaveren, Statistics in Medicine 39, 2714-2742, 2020; Austin & Steyerberg, Statistics in
    Medicine 38, 4051-4065, 2019.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> rate, grid = rng.uniform(0.01, 0.1, 4000), np.array([0.0, 10.0])
    >>> life = rng.exponential(1 / rate)
    >>> true = integrated_calibration_index(np.exp(-np.outer(rate, grid)), life, life > 0, day=10, grid=grid)
    >>> hopeful = integrated_calibration_index(np.exp(-np.outer(rate / 2, grid)), life, life > 0, day=10, grid=grid)
    >>> true.index < 0.02, hopeful.index > 0.1
    (True, True)
    """
    rows = held_out(survival, time, event, entry, grid)
    at = checked_days([day], grid)
    if observed_by == "hazard":
        forecast = np.clip(1.0 - rows.survival_on(day), LEAST_RISK, 1 - LEAST_RISK)
        columns, basis = _spline(_cloglog(forecast))
        try:
            fit = fit_hazard_regression(columns, rows.time, rows.event, rows.entry)
        except NoBestFit as error:
            raise NotEstimable(f"the regression of observed on forecast risk has no best fit: {error}") from error
        points = _curve_points(forecast)
        at_points = 1.0 - fit.survival(basis(_cloglog(points)), day)
        return _summary(forecast, 1.0 - fit.survival(columns, day), None, points, at_points, (np.empty(0), np.empty(0)))
    if observed_by != "status":
        raise BadInput.one("observed_by", f"is {observed_by!r}.", 'Use "status" or "hazard".')
    found = censoring_weights(time, event, at, rows.entry, censoring=censoring, grid=grid, min_followed=min_followed)
    use = found.eligible[:, 0]
    forecast = np.clip(1.0 - rows.given_entry(at)[use, 0], LEAST_RISK, 1 - LEAST_RISK)
    columns, basis = _spline(_cloglog(forecast))
    regression = _status_regression(_with_constant(columns), found.returned[use, 0], found.weights[use, 0])
    linear, spread = regression.linear(_with_constant(columns))
    # The spline runs on straight past its last knot: for a risk next to 1 it may leave what exp can hold.
    linear = np.minimum(linear, _CERTAIN)
    observed = _risk(linear)
    # The mean absolute value of a normal deviate is sqrt(2/π) times its standard deviation.
    by_chance = float(np.mean(spread * (1 - observed) * np.exp(linear)) * np.sqrt(2 / np.pi))
    points = _curve_points(forecast)
    at_points, spread = regression.linear(_with_constant(basis(_cloglog(points))))
    half = ndtri(0.5 + confidence / 2) * spread
    band = (_risk(at_points - half), _risk(at_points + half))
    return _summary(forecast, observed, by_chance, points, _risk(at_points), band)


def calibration_line(
    survival: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None = None,
    *,
    day: float,
    grid: Floats = DAYS,
    censoring: KaplanMeier | Floats | None = None,
    min_followed: float = MIN_FOLLOWED,
    confidence: float = 0.95,
) -> CalibrationLine:
    r"""Fit a calibration intercept and slope on a day.

    .. math::

        \log(-\log(1 - P(T \le t))) = a + x \;(\text{intercept}), \qquad = c + b\,x \;(\text{slope}), \quad
        x = \log(-\log(1 - F))

    by censoring-weighted regression of the status by that day, with robust (sandwich) errors. Late entry is handled
    as in `integrated_calibration_index` with ``"status"``.

    Parameters
    ----------
    survival, time, event, entry, grid, censoring, min_followed
        As in `training.scoring.brier.brier_score`.

    Raises
    ------
    BadInput, NotEstimable
        As `integrated_calibration_index`.

    References
    ----------
    Cox, Biometrika 45, 562-565, 1958; Crowson, Atkinson & Therneau, Statistical Methods in Medical Research 25, 2016.

    Examples
    --------
    A forecast with half the true hazard has intercept log 2 and slope 1.

    >>> rng = np.random.default_rng(0)
    >>> rate, grid = rng.uniform(0.01, 0.1, 40000), np.array([0.0, 10.0])
    >>> life = rng.exponential(1 / rate)
    >>> line = calibration_line(np.exp(-np.outer(rate / 2, grid)), life, life > 0, day=10, grid=grid)
    >>> bool(abs(line.intercept - np.log(2)) < 0.03), abs(line.slope - 1) < 0.05
    (True, True)
    """
    rows = held_out(survival, time, event, entry, grid)
    at = checked_days([day], grid)
    found = censoring_weights(time, event, at, rows.entry, censoring=censoring, grid=grid, min_followed=min_followed)
    use = found.eligible[:, 0]
    x = _cloglog(np.clip(1.0 - rows.given_entry(at)[use, 0], LEAST_RISK, 1 - LEAST_RISK))
    returned, weights = found.returned[use, 0], found.weights[use, 0]
    if np.unique(x).size < 2:
        raise NotEstimable("all forecasts are alike, so they have no slope")
    level = _status_regression(np.ones((x.size, 1)), returned, weights, offset=x)
    line = _status_regression(_with_constant(x[:, None]), returned, weights)
    z = float(ndtri(0.5 + confidence / 2))
    intercept, slope = float(level.coefficients[0]), float(line.coefficients[1])
    intercept_half, slope_half = z * float(level.covariance[0, 0] ** 0.5), z * float(line.covariance[1, 1] ** 0.5)
    return CalibrationLine(
        intercept=intercept,
        intercept_low=intercept - intercept_half,
        intercept_high=intercept + intercept_half,
        slope=slope,
        slope_low=slope - slope_half,
        slope_high=slope + slope_half,
        rows=x.size,
    )


def restricted_cubic_spline(x: Floats, knots: Floats) -> Floats:
    r"""Return the columns of a cubic spline that is straight beyond its outer knots.

    .. math::

        x, \; \frac{1}{(k_m-k_1)^2} \left( (x-k_j)_+^3 - (x-k_{m-1})_+^3 \frac{k_m-k_j}{k_m-k_{m-1}}
        + (x-k_m)_+^3 \frac{k_{m-1}-k_j}{k_m-k_{m-1}} \right), \; j = 1 \dots m-2

    Parameters
    ----------
    x : array, shape (n,)
    knots : array, shape (m,)
        At least three, increasing.

    Returns
    -------
    array, shape (n, m - 1)

    References
    ----------
    Harrell, Regression Modeling Strategies, 2nd ed., 2015, section 2.4.5.

    Examples
    --------
    >>> restricted_cubic_spline(np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 1.0, 2.0]))[:, 1].tolist()
    [0.0, 0.25, 1.5, 3.0]
    """
    cubes = np.maximum(x[:, None] - knots, 0.0) ** 3
    last, before = knots[-1], knots[-2]
    bent = (
        cubes[:, :-2]
        - cubes[:, -2:-1] * (last - knots[:-2]) / (last - before)
        + cubes[:, -1:] * (before - knots[:-2]) / (last - before)
    )
    return np.column_stack([x, bent / (last - knots[0]) ** 2])


def _spline(x: Floats) -> tuple[Floats, Any]:
    """Columns for the regression, and the function that makes them for other values."""
    distinct = np.unique(x)
    if distinct.size < 2:
        raise NotEstimable("all forecasts are alike, so there is no curve to draw")
    knots = distinct[1:-1] if distinct.size <= 5 else np.unique(np.quantile(x, _KNOTS))
    if distinct.size > 5 and x.size < _FEW:
        knots = np.unique([np.sort(x)[4], np.median(x), np.sort(x)[-5]])
    if knots.size < 3:
        return x[:, None], lambda values: values[:, None]
    return restricted_cubic_spline(x, knots), lambda values: restricted_cubic_spline(values, knots)


def _status_regression(
    design: Floats, returned: NDArray[np.bool_], weights: Floats, offset: Floats | None = None
) -> StatusRegression:
    known = weights > 0
    if min(returned[known].sum(), (~returned[known]).sum()) < _LEAST_EACH:
        raise NotEstimable(
            f"fewer than {_LEAST_EACH} rows are known to have returned by that day, or to have held past it"
        )
    # Begin at "perfectly calibrated": all coefficients 0 but the one of the forecast itself, which is 1.
    start = np.eye(design.shape[1])[1] if offset is None else np.zeros(1)
    try:
        return fit_status_regression(
            design[known], returned[known], weights[known], start, 0.0 if offset is None else offset[known]
        )
    except NoBestFit as error:
        raise NotEstimable(f"the regression of observed on forecast risk has no best fit: {error}") from error


def _with_constant(columns: Floats) -> Floats:
    return np.column_stack([np.ones(columns.shape[0]), columns])


def _cloglog(risk: Floats) -> Floats:
    return np.asarray(np.log(-np.log1p(-risk)))


def _risk(linear: Floats) -> Floats:
    return np.asarray(-np.expm1(-np.exp(np.minimum(linear, _CERTAIN))))


def _curve_points(forecast: Floats) -> Floats:
    low, high = np.quantile(forecast, [0.01, 0.99])
    return np.linspace(low, high, _CURVE_POINTS)


def _summary(
    forecast: Floats,
    observed: Floats,
    by_chance: float | None,
    points: Floats,
    at_points: Floats,
    band: tuple[Floats, Floats],
) -> SmoothCalibration:
    distance = np.abs(observed - forecast)
    median, ninetieth = np.quantile(distance, [0.5, 0.9])
    return SmoothCalibration(
        index=float(distance.mean()),
        index_by_chance=by_chance,
        median=float(median),
        ninetieth=float(ninetieth),
        forecast=tuple(points.tolist()),
        observed=tuple(at_points.tolist()),
        low=tuple(band[0].tolist()),
        high=tuple(band[1].tolist()),
        rows=forecast.size,
    )
