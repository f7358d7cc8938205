"""Odds of kinds moved from workshop to workshop: against a logistic regression elsewhere, and simulated truth."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.special import softmax

from models.calibration.curve_regression import Normal
from models.calibration.kind_shift import OpenedPacks, fit_shift_law, learn_shift, shifted, workshops_of


def drawn(rng, n, slope, offsets):
    log_odds = np.log(softmax(rng.normal(0, 1.5, (n, len(offsets))), axis=1))
    share = softmax(slope * log_odds + offsets, axis=1)
    kind = (share.cumsum(axis=1) < rng.random((n, 1))).sum(axis=1)
    return OpenedPacks(log_odds, np.minimum(kind, len(offsets) - 1), np.ones(n))


def test_reference_two_kinds_are_a_logistic_regression():
    """Statsmodels' Logit of one kind on the difference of the log-odds, with a prior that says nothing."""
    packs = drawn(np.random.default_rng(1), 400, 0.7, np.array([0.4, -0.3]))
    flat = Normal(np.zeros(3), np.diag([1e4, 1e4, 1e4]))
    ours = learn_shift(packs, flat)
    design = sm.add_constant(packs.log_odds[:, 1] - packs.log_odds[:, 0])
    theirs = sm.Logit(packs.kind, design).fit(disp=0)
    assert ours.mean[0] == pytest.approx(theirs.params[1], abs=1e-4)
    assert ours.mean[2] - ours.mean[1] == pytest.approx(theirs.params[0], abs=1e-4)
    assert np.sqrt(ours.covariance[0, 0]) == pytest.approx(theirs.bse[1], rel=1e-3)


def test_recovery_the_law_of_worlds_comes_back():
    rng = np.random.default_rng(2)
    worlds = [drawn(rng, 150, rng.normal(0.8, 0.2), rng.normal(0, 0.7, 4)) for _ in range(90)]
    law = fit_shift_law(worlds)
    assert law.mean[0] == pytest.approx(0.8, abs=0.06)
    assert np.sqrt(law.covariance[0, 0]) == pytest.approx(0.2, abs=0.06)
    # Only differences of offsets can be told.
    across = np.array([0, 1, -1, 0, 0])
    assert np.sqrt(across @ law.covariance @ across) == pytest.approx(0.7 * np.sqrt(2), rel=0.25)


def test_opened_packs_bring_the_forecast_to_the_place():
    rng = np.random.default_rng(3)
    law = fit_shift_law([drawn(rng, 100, 0.9, rng.normal(0, 0.8, 4)) for _ in range(40)])
    loss = {0: [], 10: [], 60: []}
    for _ in range(25):
        offsets = rng.normal(0, 0.8, 4)
        own, test = drawn(rng, 60, 0.9, offsets), drawn(rng, 500, 0.9, offsets)
        for count, found in loss.items():
            some = OpenedPacks(own.log_odds[:count], own.kind[:count], own.weights[:count])
            told = shifted(test.log_odds, workshops_of(learn_shift(some, law) if count else law))
            found.append(-np.log(told[np.arange(500), test.kind]).mean())
    assert np.mean(loss[60]) < np.mean(loss[10]) < np.mean(loss[0])


def test_property_a_place_not_known_is_told_of_less_surely_than_one_that_is():
    log_odds = np.log(np.array([[0.7, 0.1, 0.1, 0.1]]))
    mean, unsure = np.array([1.0, 0, 0, 0, 0]), np.diag([0.0, 1, 1, 1, 1])
    known = shifted(log_odds, workshops_of(Normal(mean, 0 * unsure)))
    np.testing.assert_allclose(known, [[0.7, 0.1, 0.1, 0.1]])
    blurred = shifted(log_odds, workshops_of(Normal(mean, unsure)))
    assert blurred.max() < known.max()
    assert blurred.sum() == pytest.approx(1.0)
