"""First passage of a drifting Wiener process against recomputed values and scipy's inverse Gaussian."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import invgauss

from models.estimators import first_passage


def test_recomputed_values():
    # F(t) = Φ((μt−a)/σ√t) + exp(2aμ/σ²) Φ(−(μt+a)/σ√t), evaluated independently.
    values = first_passage.cdf([15, 18, 20, 22, 25], level=10, drift=0.5, sd=0.3)
    np.testing.assert_allclose(values, [0.018317, 0.235570, 0.526643, 0.782029, 0.958812], atol=5e-7)
    assert first_passage.cdf(1, 1, 1) == pytest.approx(0.668102, abs=5e-7)


@pytest.mark.parametrize(("level", "drift", "sd"), [(10, 0.5, 0.3), (1, 1, 1), (2, 0.05, 1.5), (30, 3, 0.4)])
def test_inverse_gaussian(level, drift, sd):
    # Mean m = a/μ and shape λ = a²/σ² ↔ scipy.stats.invgauss(m/λ, scale=λ).
    mean, shape = level / drift, level**2 / sd**2
    theirs = invgauss(mean / shape, scale=shape)
    t = np.geomspace(mean / 50, mean * 50, 60)
    np.testing.assert_allclose(first_passage.cdf(t, level, drift, sd), theirs.cdf(t), atol=1e-13)
    np.testing.assert_allclose(first_passage.pdf(t, level, drift, sd), theirs.pdf(t), atol=1e-13)
    np.testing.assert_allclose(first_passage.log_survival(t, level, drift, sd), theirs.logsf(t), rtol=1e-6, atol=1e-14)
    p = np.array([0.01, 0.1, 0.5, 0.9, 0.99])
    np.testing.assert_allclose(first_passage.quantile(p, level, drift, sd), theirs.ppf(p), rtol=1e-9)
    np.testing.assert_allclose([theirs.mean(), theirs.var()], [mean, level * sd**2 / drift**3])


def test_negative_drift_reaches_only_with_a_probability():
    # P(ever) = exp(2aμ/σ²) for μ < 0.
    assert first_passage.ever(1, -0.5) == pytest.approx(np.exp(-1))
    assert first_passage.cdf(1e8, 1, -0.5) == pytest.approx(np.exp(-1), abs=1e-7)
    mass, _ = quad(lambda t: float(first_passage.pdf(t, 1, -0.5)), 0, np.inf)
    assert mass == pytest.approx(np.exp(-1), abs=1e-7)
    assert np.isinf(first_passage.quantile(0.4, 1, -0.5))
    assert first_passage.cdf(first_passage.quantile(0.3, 1, -0.5), 1, -0.5) == pytest.approx(0.3)
