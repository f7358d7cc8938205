import numpy as np
import pytest
from scipy.optimize import minimize

from models.base.day_grid import DAYS
from models.interventions.ensemble import LEAST_PATHS, draw_by_weight, reconciled_weights


def curve(scale: float) -> np.ndarray:
    return np.exp(-DAYS / scale)


def test_property_runs_weighed_again_follow_the_curve_exactly():
    rng = np.random.default_rng(1)
    returned = rng.exponential(25, 4000)
    returned[returned > 90] = np.inf
    weights = reconciled_weights(returned, curve(12.0))
    assert weights.sum() == pytest.approx(1)
    np.testing.assert_allclose([weights[returned > d].sum() for d in DAYS], curve(12.0), atol=1e-12)


def test_property_stretches_without_runs_are_joined():
    returned = np.concatenate([np.full(30, 5.5), np.full(30, np.inf)])
    weights = reconciled_weights(returned, curve(12.0))
    assert np.isfinite(weights).all()
    assert weights.sum() == pytest.approx(1)
    # The split lies between the two lots, so the forecast decides between them there.
    assert weights[:30].sum() == pytest.approx(1 - curve(12.0)[DAYS == 6][0])
    assert LEAST_PATHS < 30


def test_reference_of_all_weights_that_give_the_curve_these_have_least_relative_entropy():
    """Against a general minimiser (scipy SLSQP) on twelve runs."""
    returned = np.array([0.5] * 5 + [30.0] * 3 + [np.inf] * 4)
    survival = np.where(DAYS < 1, 1.0, np.where(DAYS < 30, 0.7, 0.4))
    mine = reconciled_weights(returned, survival)
    early, late = mine[:5].sum(), mine[8:].sum()
    found = minimize(
        lambda w: float((w * np.log(w * 12)).sum()),
        np.full(12, 1 / 12),
        bounds=[(1e-9, 1)] * 12,
        method="SLSQP",
        constraints=[
            {"type": "eq", "fun": lambda w: w.sum() - 1},
            {"type": "eq", "fun": lambda w: w[:5].sum() - early},
            {"type": "eq", "fun": lambda w: w[8:].sum() - late},
        ],
    )
    np.testing.assert_allclose(mine, found.x, atol=1e-3)


def test_property_each_is_drawn_as_often_as_its_weight_says_give_or_take_one():
    rng = np.random.default_rng(2)
    weights = rng.exponential(size=50)
    count = np.bincount(draw_by_weight(weights, 300, rng), minlength=50)
    assert np.abs(count - 300 * weights / weights.sum()).max() <= 1
