import numpy as np
import pytest
from sklearn.base import clone

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.estimators.cox import CoxRegression
from models.survival.estimator import SurvivalEstimator
from models.survival.kaplan_meier import kaplan_meier
from tests.studies.peers.probability_booster import ProbabilityBooster


def cohort(seed, n=2500, late=0.0):
    """Invented packs whose hazard has a step and an interaction, censored independently, NaN here and there."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, 4))
    scale = 20 * np.exp(-(1.2 * (X[:, 0] > 0.5) + 0.8 * X[:, 1] * (X[:, 2] > 0) - 0.5) / 1.4)
    died, followed = scale * rng.weibull(1.4, n), rng.uniform(5, 150, n)
    entry = np.where(rng.random(n) < late, rng.uniform(0, 10, n), 0.0)
    time, event = np.minimum(died, followed), died <= followed
    seen = time > entry
    X = np.where(rng.random(X.shape) < 0.02, np.nan, X)
    return X[seen], time[seen], event[seen], entry[seen], np.exp(-((DAYS / scale[:, None]) ** 1.4))[seen]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("late", [0.0, 0.4])
def test_recovers_curves_that_no_linear_model_can(seed, late):
    X, time, event, entry, _ = cohort(seed, late=late)
    fresh, *_, truth = cohort(seed + 100)
    curves = ProbabilityBooster(rounds=80).fit(X, time, event, entry).predict_survival(fresh, DAYS)
    error = np.sqrt(np.mean((curves - truth) ** 2))
    linear = np.sqrt(np.mean((CoxRegression().fit(X, time, event, entry).predict_survival(fresh, DAYS) - truth) ** 2))
    assert error < 0.09
    assert error < 0.9 * linear


def test_without_features_it_is_the_product_limit():
    _, time, event, _, _ = cohort(3)
    model = ProbabilityBooster(l2=0.0).fit(np.zeros((len(time), 1)), time, event)
    curve = model.predict_survival(np.zeros((1, 1)), DAYS[1:18])[0]
    np.testing.assert_allclose(curve, kaplan_meier(time, event).at(DAYS[1:18]), atol=0.015)


def test_curves_never_rise_and_constraints_hold():
    X, time, event, entry, _ = cohort(4, n=1200)
    model = ProbabilityBooster(rounds=50, monotone={1: 1}).fit(X, time, event, entry)
    curves = model.predict_survival(X, DAYS)
    assert isinstance(model, SurvivalEstimator)
    assert np.all(curves[:, 0] == 1)
    assert np.all(np.diff(curves, axis=1) <= 1e-12)
    swept = np.repeat(np.nan_to_num(X[:30]), 9, axis=0)
    swept[:, 1] = np.tile(np.linspace(-3, 3, 9), 30)
    assert np.all(np.diff(model.predict_survival(swept, DAYS).reshape(30, 9, -1), axis=1) <= 1e-12)


def test_batches_and_units():
    X, time, event, entry, _ = cohort(5, n=600, late=0.3)
    model = ProbabilityBooster(rounds=30).fit(X, time, event, entry)
    curves = model.predict_survival(X, DAYS)
    np.testing.assert_allclose(model.predict_survival(X[3:4], DAYS), curves[3:4], rtol=1e-12)
    tenfold = clone(model).set_params(days=10 * DAYS).fit(X, 10 * time, event, 10 * entry)
    np.testing.assert_allclose(tenfold.predict_survival(X, 10 * DAYS), curves, atol=1e-6)


def test_weights_tip_the_balance():
    X, time, event, _, _ = cohort(6, n=1000)
    heavy = np.where(event & (time < 10), 5.0, 1.0)
    plain = ProbabilityBooster(rounds=30).fit(X, time, event).predict_survival(X, [10]).mean()
    assert (
        ProbabilityBooster(rounds=30).fit(X, time, event, weights=heavy).predict_survival(X, [10]).mean() < plain - 0.1
    )


def test_bad_input_is_named():
    with pytest.raises(BadInput, match="event"):
        ProbabilityBooster().fit(np.zeros((2, 1)), [100, 5], [True, False])
    with pytest.raises(BadInput, match="X"):
        ProbabilityBooster().fit(np.zeros((2, 1)), [1, 2, 3], [True] * 3)
