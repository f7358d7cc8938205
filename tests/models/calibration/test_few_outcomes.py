"""Recalibration by three numbers: simulated shifts come back, and too little evidence moves nothing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import chi2

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.calibration.few_outcomes import ShiftRecalibration
from models.calibration.recalibration import MIN_SLOPE


def curves_of(rate):
    return np.exp(-np.outer(rate, DAYS))


def draw(rng, n, factor=1.0):
    """Forecasts with very different hazards; returns come `factor` times as fast as forecast."""
    rate = np.exp(rng.normal(-3.0, 0.8, n))
    return curves_of(rate), rng.exponential(1.0 / (factor * rate)), np.ones(n, dtype=bool)


@pytest.mark.parametrize("seed", range(4))
def test_recovery_a_hazard_off_by_a_factor_comes_back(seed):
    """Recovery: with 4,000 returns the level is the logarithm of the factor, within four standard errors (0.016)."""
    fitted = ShiftRecalibration().fit(*draw(np.random.default_rng(seed), 4000, factor=1.6))
    assert fitted.level_ == pytest.approx(np.log(1.6), abs=0.07)
    assert abs(fitted.spread_) < 0.07
    assert abs(fitted.tilt_) < 0.12


def test_recovery_forecasts_too_bold_are_drawn_together():
    rng = np.random.default_rng(5)
    rate = np.exp(rng.normal(-3.0, 0.8, 4000))
    told = np.exp(-3.0 + 1.6 * (np.log(rate) + 3.0))
    fitted = ShiftRecalibration(prior_sd=(5.0, 5.0, 5.0)).fit(
        curves_of(told), rng.exponential(1.0 / rate), np.ones(4000, dtype=bool)
    )
    assert 1 + fitted.spread_ == pytest.approx(1 / 1.6, abs=0.05)


def test_reference_calibrated_forecasts_are_rarely_moved_and_little():
    """Reference: a chi-square with three degrees of freedom is over 2, the toll doubled, in 57 of 100 (scipy).

    The priors make it less. Of 200 records of sixty calibrated forecasts none may be moved by a third.
    """
    levels = [ShiftRecalibration().fit(*draw(np.random.default_rng([9, seed]), 60)).level_ for seed in range(200)]
    assert np.mean(np.array(levels) != 0) <= chi2(3).sf(2.0)
    assert np.abs(levels).mean() < 0.05
    assert np.abs(levels).max() < 1 / 3


def test_property_too_little_evidence_leaves_every_curve_as_it_was():
    survival, time, event = draw(np.random.default_rng(1), 6)
    fitted = ShiftRecalibration().fit(survival, time, event)
    assert 0 <= fitted.gain_ < fitted.toll
    assert fitted.share_ == 0
    np.testing.assert_array_equal(fitted.transform(survival), survival)


def test_property_one_impossible_return_does_not_outweigh_the_rest():
    """A pack of which a return that late was ruled out: it belongs to another top-up, or its date is wrong."""
    survival, time, event = draw(np.random.default_rng(11), 120, factor=1.4)
    survival[0], time[0] = np.where(DAYS < 20, 1 - 0.05 * DAYS, 0.0), 70.0
    fitted = ShiftRecalibration().fit(survival, time, event)
    others = ShiftRecalibration().fit(survival[1:], time[1:], event[1:])
    for name in ("level_", "spread_", "tilt_"):
        assert getattr(fitted, name) == pytest.approx(getattr(others, name), abs=0.03)
    believed = ShiftRecalibration(strays=0.0).fit(survival, time, event)
    assert abs(believed.spread_ - others.spread_) > 0.1


def test_reference_level_alone_is_the_penalised_poisson_estimate():
    """Reference: with a level only and exponential curves, returns are Poisson counts with the hazard as offset.

    The penalised likelihood D a − e^a H − a²/2σ² is maximised here by scipy directly; censoring at the day of
    observation is exact where it falls on a day of the grid.
    """
    rng = np.random.default_rng(3)
    rate = np.exp(rng.normal(-3.0, 0.5, 300))
    fine = np.linspace(0.0, 90.0, 1801)
    time = np.minimum(np.round(rng.exponential(1 / (1.5 * rate)) / 0.05) * 0.05 + 0.05, 40.0)
    event = time < 40.0
    fitted = ShiftRecalibration(days=fine, prior_sd=(0.3, 1e-4, 1e-4), toll=0.0, strays=0.0).fit(
        np.exp(-np.outer(rate, fine)), time, event
    )
    total, count = float(rate @ (time - 0.025 * event)), int(event.sum())
    direct = minimize(lambda a: np.exp(a[0]) * total - count * a[0] + a[0] ** 2 / (2 * 0.09), [0.0], method="BFGS")
    assert fitted.level_ == pytest.approx(float(direct.x[0]), abs=2e-3)


def test_invariance_rows_weights_and_late_entry():
    rng = np.random.default_rng(4)
    survival, time, event = draw(rng, 200, factor=2.0)
    entry = np.where(rng.random(200) < 0.5, 0.3 * np.minimum(time, 90.0), 0.0)
    weights = rng.integers(1, 4, 200).astype(float)
    one = ShiftRecalibration().fit(survival, time, event, entry, weights)
    again = np.repeat(np.arange(200), weights.astype(int))
    two = ShiftRecalibration().fit(survival[again], time[again], event[again], entry[again])
    turned = ShiftRecalibration().fit(survival[::-1], time[::-1], event[::-1], entry[::-1], weights[::-1])
    for other in (two, turned):
        np.testing.assert_allclose(other.transform(survival), one.transform(survival), atol=2e-4)
    np.testing.assert_array_equal(one.transform(survival[:3]), one.transform(survival)[:3])
    ordered = one.transform(survival[np.argsort(survival[:, 5])])
    assert np.all(np.diff(ordered[:, 5]) >= 0)
    assert 1 + one.spread_ >= MIN_SLOPE


def test_bad_curves_are_refused():
    survival, time, event = draw(np.random.default_rng(6), 5)
    with pytest.raises(BadInput, match="shape"):
        ShiftRecalibration().fit(survival[:, :4], time, event)
    with pytest.raises(BadInput, match="5 rows"):
        ShiftRecalibration().fit(survival, time[:4], event[:4])
