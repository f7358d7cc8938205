"""The regression on top of given curves: against a reference library, for late entry and weights, and its certainty."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from models.base.day_grid import DAYS
from models.calibration.curve_regression import Bounds, CurveTerms, Normal, posterior
from models.survival.estimator import check_outcomes

BINS = len(DAYS) - 1
FREE = Bounds(np.full(2, -np.inf), np.full(2, np.inf))


def drawn(rng, n, effect=0.7, level=-0.3):
    """Rows of a known law: hazards that differ by row, moved by a level and one column. Invented."""
    log_total = np.log(DAYS[1:] / 30.0) + 0.5 * rng.standard_normal((n, 1)) + np.zeros((n, BINS))
    column = rng.standard_normal((n, 1))
    passed = np.hstack([np.zeros((n, 1)), np.exp(log_total + level + effect * column)])
    aim = rng.exponential(size=n)
    back = aim < passed[:, -1]
    bins = np.minimum((passed[:, 1:] < aim[:, None]).sum(axis=1), BINS - 1)
    end = np.where(back, DAYS[bins + 1], DAYS[-1])
    return CurveTerms(log_total, np.ones((n, BINS, 1)), column), check_outcomes(end, back)


def test_with_a_weak_prior_it_is_the_library_s_regression():
    """Reference: statsmodels, binomial family with complementary log-log link and an offset, on person-periods."""
    terms, seen = drawn(np.random.default_rng(1), 400)
    weak = Normal(np.zeros(2), 1e8 * np.eye(2))
    found = posterior(terms, seen, DAYS, weak, FREE)
    last = np.searchsorted(DAYS, seen.time) - 1
    row = np.repeat(np.arange(len(last)), last + 1)
    column = np.concatenate([np.arange(j + 1) for j in last])
    event = seen.event[row] & (column == last[row])
    design = np.column_stack([np.ones(len(row)), terms.columns[row, 0]])
    offset = np.log(np.diff(np.exp(terms.log_total), axis=1, prepend=0.0))
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    fit = sm.GLM(event.astype(float), design, family=family, offset=offset[row, column]).fit(tol=1e-12)
    np.testing.assert_allclose(found.mean, fit.params, atol=1e-5)
    # The library's errors are from the expected information, these from the observed one.
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance)), fit.bse, rtol=0.05)


def test_known_effects_come_back_and_errors_are_honest():
    """Recovery: over 60 records, the share within 1.645 standard errors is nine in ten."""
    weak = Normal(np.zeros(2), 100.0 * np.eye(2))
    off = []
    for seed in range(60):
        found = posterior(*drawn(np.random.default_rng([2, seed]), 150), DAYS, weak, FREE)
        off.append((found.mean - [-0.3, 0.7]) / np.sqrt(np.diag(found.covariance)))
    assert np.all(np.abs(np.mean(off, axis=0)) < 0.45)
    assert 0.8 < np.mean(np.abs(off) < 1.645) < 0.98


def test_without_outcomes_the_prior_stands():
    terms, _ = drawn(np.random.default_rng(3), 5)
    prior = Normal(np.array([0.2, -0.1]), np.array([[0.5, 0.1], [0.1, 0.3]]))
    early = check_outcomes(np.full(5, 1e-9), np.zeros(5, dtype=bool))
    found = posterior(terms, early, DAYS, prior, FREE)
    np.testing.assert_allclose(found.mean, prior.mean, atol=1e-6)
    np.testing.assert_allclose(found.covariance, prior.covariance, atol=1e-6)


def test_a_weight_counts_rows_and_late_entry_forgets_what_was_before():
    """Invariance."""
    rng = np.random.default_rng(4)
    terms, seen = drawn(rng, 60)
    prior = Normal(np.zeros(2), np.eye(2))
    twice = np.repeat(np.arange(60), 2)
    doubled = CurveTerms(*(part[twice] for part in (terms.log_total, terms.in_time, terms.columns)))
    weighed = check_outcomes(seen.time, seen.event, None, np.full(60, 2.0))
    one, two = posterior(terms, weighed, DAYS, prior, FREE), posterior(doubled, seen.take(twice), DAYS, prior, FREE)
    np.testing.assert_allclose(one.mean, two.mean, atol=1e-6)
    # Entered at day 5: hazards before it make no difference.
    late = check_outcomes(seen.time + 5.0, seen.event & (seen.time <= 85), np.full(60, 5.0))
    other = np.exp(terms.log_total)
    other = np.log(np.where(np.arange(BINS) < 4, other * 0.5, other))
    moved = CurveTerms(other, terms.in_time, terms.columns)
    np.testing.assert_allclose(
        posterior(terms, late, DAYS, prior, FREE).mean, posterior(moved, late, DAYS, prior, FREE).mean, atol=1e-9
    )


def test_the_worlds_drawn_stand_for_their_law():
    """Parity: mean and variance of every linear form are those of the law, to what 64 even draws can."""
    rng = np.random.default_rng(5)
    half = rng.standard_normal((6, 6))
    law = Normal(rng.standard_normal(6), half @ half.T)
    drawn_ = law.draws()
    np.testing.assert_allclose(drawn_.mean(axis=0), law.mean, atol=1e-9)
    np.testing.assert_allclose(np.trace(np.cov(drawn_.T, bias=True)), np.trace(law.covariance), rtol=1e-6)
    forms = rng.standard_normal((40, 6))
    ratio = np.var(drawn_ @ forms.T, axis=0) / np.einsum("ij,jk,ik->i", forms, law.covariance, forms)
    assert 0.9 < ratio.mean() < 1.1
    assert np.all((ratio > 0.6) & (ratio < 1.5))
    np.testing.assert_array_equal(drawn_, law.draws())


def test_a_bound_is_kept_and_the_rest_is_fitted_given_it():
    """Parity: an effect held at 0 leaves the level where it comes to lie without that column."""
    terms, seen = drawn(np.random.default_rng(7), 200)
    prior = Normal(np.zeros(2), np.eye(2))
    held = posterior(terms, seen, DAYS, prior, Bounds(np.full(2, -np.inf), np.array([np.inf, 0.0])))
    assert held.mean[1] == 0
    assert held.covariance[1, 1] == 0
    alone = CurveTerms(terms.log_total, terms.in_time, np.zeros((200, 0)))
    free = Bounds(np.full(1, -np.inf), np.full(1, np.inf))
    found = posterior(alone, seen, DAYS, Normal(np.zeros(1), np.eye(1)), free)
    np.testing.assert_allclose(held.mean[0], found.mean[0], atol=1e-5)
    np.testing.assert_allclose(held.covariance[0, 0], found.covariance[0, 0], rtol=1e-4)


@pytest.mark.parametrize("seed", range(3))
def test_it_ends_at_the_mode(seed):
    """Property: no small step from the answer is more probable."""
    terms, seen = drawn(np.random.default_rng([6, seed]), 80)
    prior = Normal(np.array([0.5, 0.0]), np.array([[0.2, 0.05], [0.05, 0.1]]))
    found = posterior(terms, seen, DAYS, prior, FREE)
    again = posterior(terms, seen, DAYS, prior, FREE, start=found.mean + 1.0)
    np.testing.assert_allclose(found.mean, again.mean, atol=1e-3)
