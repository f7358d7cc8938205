"""Weibull maximum likelihood against NIST/SEMATECH e-Handbook 8.4.1.3 and scipy."""

import numpy as np
import pytest
from scipy.special import gamma
from scipy.stats import lognorm

from tests.studies.peers.aft import LogNormalRegression, WeibullRegression

# NIST/SEMATECH e-Handbook 8.2.2.1 and 8.4.1.3: ten failures, ten units still running at 500 h.
FAILURES = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
TIME = np.array(FAILURES + [500] * 10, dtype=float)
EVENT = np.arange(20) < 10
NO_FEATURE = np.zeros((20, 1))


def test_handbook_estimates():
    model = WeibullRegression().fit(NO_FEATURE, TIME, EVENT)
    scale, shape = (float(v[0]) for v in model.scale_and_shape(NO_FEATURE[:1]))
    # e-Handbook 8.4.1.3: scale 606.5280, shape 1.7208, log-likelihood -75.135, mean 540.737, sd 323.806.
    assert scale == pytest.approx(606.5280, abs=1e-3)
    assert shape == pytest.approx(1.7208, abs=5e-5)
    assert model.log_likelihood_ == pytest.approx(-75.135, abs=5e-4)
    assert 2 * 2 - 2 * model.log_likelihood_ == pytest.approx(154.27, abs=5e-3)
    mean = scale * gamma(1 + 1 / shape)
    assert mean == pytest.approx(540.737, abs=2e-3)
    assert np.sqrt(scale**2 * gamma(1 + 2 / shape) - mean**2) == pytest.approx(323.806, abs=2e-3)


def test_lognormal_without_censoring_is_mean_and_sd_of_log():
    # With every unit observed the estimates are the mean and sd of the logs (scipy.stats.lognorm.fit).
    time = np.array(FAILURES, dtype=float)
    model = LogNormalRegression().fit(np.zeros((10, 1)), time, np.ones(10, dtype=bool))
    mean, sd = (float(v[0]) for v in model.mean_and_sd_of_log(np.zeros((1, 1))))
    shape, _, scale = lognorm.fit(time, floc=0)
    assert mean == pytest.approx(np.log(scale), rel=1e-5)
    assert sd == pytest.approx(shape, rel=1e-4)
    np.testing.assert_allclose(
        model.predict_survival(np.zeros((1, 1)), [100, 300])[0], lognorm.sf([100, 300], shape, 0, scale), rtol=1e-4
    )
