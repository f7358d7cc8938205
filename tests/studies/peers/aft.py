"""Weibull and lognormal accelerated failure time regressions, as peers of what ships."""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import log_ndtr
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.estimators.parametric import Graded, Law, ParametricRegression

_LOG_ROOT_2PI: Final = 0.5 * np.log(2 * np.pi)

_LOCATION_AND_LOG_SCALE: Final = ((-10.0, 20.0), (-3.0, 3.0))
"""Bounds with the mean time as unit: a log sd between a twentieth and twenty spans every life ever reported."""


class WeibullLaw:
    """log T = location + scale · G with G standard smallest-extreme-value; second parameter: log scale."""

    def log_density(self, time: Floats, first: Floats, second: Floats) -> Graded:
        """Return log f and its derivatives by location and log scale."""
        scale, z = _standard(time, first, second)
        hazard = np.exp(z)
        return z - hazard - second - np.log(time), (hazard - 1) / scale, z * (hazard - 1) - 1

    def log_survival(self, time: Floats, first: Floats, second: Floats) -> Graded:
        """Return log S and its derivatives by location and log scale."""
        scale, z = _standard(time, first, second)
        hazard = np.exp(z)
        return -hazard, hazard / scale, z * hazard


class LogNormalLaw:
    """log T = location + scale · G with G standard normal; second parameter: log scale."""

    def log_density(self, time: Floats, first: Floats, second: Floats) -> Graded:
        """Return log f and its derivatives by location and log scale."""
        scale, z = _standard(time, first, second)
        return -0.5 * z * z - _LOG_ROOT_2PI - second - np.log(time), z / scale, z * z - 1

    def log_survival(self, time: Floats, first: Floats, second: Floats) -> Graded:
        """Return log S and its derivatives by location and log scale."""
        scale, z = _standard(time, first, second)
        value = log_ndtr(-z)
        hazard = np.exp(-0.5 * z * z - _LOG_ROOT_2PI - value)
        return value, hazard / scale, hazard * z


class WeibullRegression(ParametricRegression):
    """Weibull accelerated failure time: log scale linear in the features, one shape. See `ParametricRegression`."""

    law: ClassVar[Law] = WeibullLaw()
    second_follows_features: ClassVar[bool] = False
    start: ClassVar[tuple[float, float]] = (0.5, 0.0)
    bounds: ClassVar[tuple[tuple[float, float], tuple[float, float]]] = _LOCATION_AND_LOG_SCALE

    def scale_and_shape(self, X: ArrayLike | pd.DataFrame) -> tuple[Floats, Floats]:
        """Return the scale in days and the shape of each row, each shape (n,)."""
        check_is_fitted(self)
        location, log_scale = self._parameters(self.coefficients_, self.linear_.apply(self.features_.read(X)))
        return np.exp(location) * self.time_scale_, np.exp(-log_scale)


class LogNormalRegression(ParametricRegression):
    """Lognormal accelerated failure time: mean of log days linear in the features. See `ParametricRegression`."""

    law: ClassVar[Law] = LogNormalLaw()
    second_follows_features: ClassVar[bool] = False
    start: ClassVar[tuple[float, float]] = (0.5, 0.0)
    bounds: ClassVar[tuple[tuple[float, float], tuple[float, float]]] = _LOCATION_AND_LOG_SCALE

    def mean_and_sd_of_log(self, X: ArrayLike | pd.DataFrame) -> tuple[Floats, Floats]:
        """Return the mean and standard deviation of log days of each row, each shape (n,)."""
        check_is_fitted(self)
        location, log_scale = self._parameters(self.coefficients_, self.linear_.apply(self.features_.read(X)))
        return location + np.log(self.time_scale_), np.exp(log_scale)


def _standard(time: Floats, location: Floats, log_scale: Floats) -> tuple[Floats, Floats]:
    # Bounded so that an absurd trial step of the search stays finite; e^30 standard deviations is past every outcome.
    scale = np.exp(np.clip(log_scale, -20.0, 20.0))
    return scale, np.clip((np.log(time) - location) / scale, -1e4, 30.0)
