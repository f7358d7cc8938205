import numpy as np
import pytest
from sklearn.base import clone

from models.base.errors import BadInput
from models.estimators.cox import CoxRegression
from models.estimators.first_passage import FirstPassageRegression
from tests.studies.peers.aft import LogNormalLaw, LogNormalRegression, WeibullLaw, WeibullRegression

KINDS = [CoxRegression, WeibullRegression, LogNormalRegression]


def cohort(seed, n=2000, late=0.4):
    """Invented packs with proportional Weibull hazards, shape 1.5, some entered late, some censored."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, 3))
    died = 20 * rng.weibull(1.5, n) * np.exp(-(0.5 * X[:, 0] - 0.3 * X[:, 1]))
    followed = rng.uniform(5, 60, n)
    entry = np.where(rng.random(n) < late, rng.uniform(0, 10, n), 0.0)
    time, event = np.minimum(died, followed), died <= followed
    seen = time > entry
    return X[seen], time[seen], event[seen], entry[seen]


@pytest.mark.parametrize("law", [WeibullLaw(), LogNormalLaw()])
@pytest.mark.parametrize("part", ["log_density", "log_survival"])
def test_gradients(law, part):
    rng = np.random.default_rng(0)
    time, place, spread = np.exp(rng.normal(size=500)), rng.normal(size=500), 0.3 * rng.normal(size=500)
    value = getattr(law, part)
    _, by_place, by_spread = value(time, place, spread)
    h = 1e-6
    np.testing.assert_allclose(
        by_place,
        (value(time, place + h, spread)[0] - value(time, place - h, spread)[0]) / (2 * h),
        rtol=1e-5,
        atol=1e-5,
    )
    np.testing.assert_allclose(
        by_spread,
        (value(time, place, spread + h)[0] - value(time, place, spread - h)[0]) / (2 * h),
        rtol=1e-5,
        atol=1e-5,
    )


@pytest.mark.parametrize("kind", KINDS[:2])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_recovers_the_curve_of_an_average_pack(kind, seed):
    X, time, event, entry = cohort(seed)
    curve = kind().fit(X, time, event, entry).predict_survival(np.zeros((1, 3)), [5, 15, 30])[0]
    # Monte-Carlo error of the baseline at about 1,900 rows is 0.01 to 0.02.
    np.testing.assert_allclose(curve, np.exp(-((np.array([5, 15, 30]) / 20) ** 1.5)), atol=0.05)


def test_ignoring_late_entry_would_bias_the_baseline():
    X, time, event, entry = cohort(4, late=1.0)
    honest = CoxRegression().fit(X, time, event, entry).predict_survival(np.zeros((1, 3)), [15])[0, 0]
    wrong = CoxRegression().fit(X, time, event).predict_survival(np.zeros((1, 3)), [15])[0, 0]
    assert wrong > honest + 0.05


@pytest.mark.parametrize("kind", KINDS)
def test_units_rows_weights_and_batches(kind):
    X, time, event, entry = cohort(5, n=400)
    time, entry = np.ceil(time), np.floor(entry)
    X[::5, 2] = np.nan
    days = np.array([0.0, 3, 10, 40])
    curves = kind().fit(X, time, event, entry).predict_survival(X, days)
    assert np.all(curves[:, 0] == 1)
    assert np.all(np.diff(curves, axis=1) <= 0)
    model = clone(kind()).fit(X, time, event, entry)
    np.testing.assert_allclose(model.predict_survival(X[7:8], days), curves[7:8], rtol=1e-10)
    np.testing.assert_allclose(
        kind().fit(X, 10 * time, event, 10 * entry).predict_survival(X, 10 * days), curves, atol=1e-6
    )
    order = np.random.default_rng(0).permutation(len(time))
    shuffled = kind().fit(X[order], time[order], event[order], entry[order])
    np.testing.assert_allclose(shuffled.predict_survival(X, days), curves, atol=1e-6)
    weights = np.random.default_rng(1).integers(0, 4, len(time))
    weighted = kind().fit(X, time, event, entry, weights)
    repeated = kind().fit(*(np.repeat(v, weights, axis=0) for v in (X, time, event, entry)))
    np.testing.assert_allclose(weighted.predict_survival(X, days), repeated.predict_survival(X, days), atol=1e-5)


def test_cox_keeps_the_sign_it_is_told():
    X, time, event, entry = cohort(6, n=500)
    free, held = CoxRegression().fit(X, time, event, entry), CoxRegression(monotone={0: -1}).fit(X, time, event, entry)
    assert free.coefficients_[0] > 0.2
    assert held.coefficients_[0] == 0


def test_beyond_what_was_seen_nothing_is_extrapolated():
    X, time, event, entry = cohort(7, n=500)
    model = WeibullRegression().fit(X, time, event, entry)
    far, edge = np.full((1, 3), 1e6), X.max(axis=0, keepdims=True)
    np.testing.assert_allclose(model.predict_survival(far, [10]), model.predict_survival(edge, [10]))


@pytest.mark.parametrize("kind", [*KINDS, FirstPassageRegression])
@pytest.mark.parametrize("rows", [4, 10, 30])
def test_a_single_event_and_features_never_known_give_curves(kind, rows):
    rng = np.random.default_rng(rows)
    X = rng.normal(size=(rows, 4))
    X[:, 1], X[:, 2], X[1:, 3] = np.nan, 3.0, np.nan
    curves = kind().fit(X, rng.uniform(1, 80, rows), np.arange(rows) == 0).predict_survival(X, [0, 1, 30, 90])
    assert np.all((curves >= 0) & (curves <= 1))
    assert np.all(np.diff(curves, axis=1) <= 0)


@pytest.mark.parametrize("kind", KINDS)
def test_without_events_nothing_is_learned(kind):
    with pytest.raises(BadInput, match="event"):
        kind().fit(np.zeros((3, 1)), [1, 2, 3], [False] * 3)
