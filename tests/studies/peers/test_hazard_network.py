import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter
from scipy.optimize import approx_fprime
from sklearn.base import clone

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.estimators.cox import CoxRegression
from models.survival.censoring_weights import censoring_weights
from models.survival.estimator import SurvivalEstimator, check_outcomes
from tests.models.estimators.test_hazard_trees import cohort
from tests.studies.peers.hazard_network import AuxiliaryTargets, HazardLoss, HazardNetwork


def test_speaks_the_interface():
    assert isinstance(HazardNetwork(), SurvivalEstimator)
    assert clone(HazardNetwork(epochs=7)).epochs == 7


@pytest.mark.parametrize("seed", [1, 2])
def test_recovers_curves_that_no_linear_model_can(seed):
    X, time, event, entry, _ = cohort(seed, n=3000)
    fresh, *_, truth = cohort(seed + 100, n=1500)
    found = HazardNetwork().fit(X, time, event, entry).predict_survival(fresh, DAYS)
    linear = CoxRegression().fit(X, time, event, entry).predict_survival(fresh, DAYS)
    error, of_linear = (np.sqrt(np.mean((curves - truth) ** 2)) for curves in (found, linear))
    assert error < 0.075
    assert error < 0.8 * of_linear


def test_two_groups_get_their_product_limits():
    # Reference: lifelines' Kaplan-Meier estimator of each group, late entries counted.
    rng = np.random.default_rng(3)
    group = rng.random(4000) < 0.4
    died, followed = rng.exponential(np.where(group, 12, 45)), rng.uniform(5, 120, 4000)
    entry = np.where(rng.random(4000) < 0.3, rng.uniform(0, 8, 4000), 0.0)
    seen = np.minimum(died, followed) > entry
    group, time, event, entry = group[seen], np.minimum(died, followed)[seen], (died <= followed)[seen], entry[seen]
    model = HazardNetwork(epochs=30).fit(group[:, None].astype(float), time, event, entry)
    for value in (False, True):
        some = group == value
        known = KaplanMeierFitter().fit(time[some], event[some], entry=entry[some])
        curve = model.predict_survival(np.array([[float(value)]]), DAYS[:18])[0]
        np.testing.assert_allclose(curve, known.survival_function_at_times(DAYS[:18]), atol=0.03)


def test_ignoring_late_entry_would_show():
    X, time, event, entry, _ = cohort(5, n=1500, late=1.0)
    honest = HazardNetwork(epochs=8).fit(X, time, event, entry).predict_survival(X, [7.0]).mean()
    wrong = HazardNetwork(epochs=8).fit(X, time, event).predict_survival(X, [7.0]).mean()
    assert wrong > honest + 0.05


def test_the_slope_descended_is_that_of_likelihood_and_brier_score():
    # Reference: finite differences (scipy.optimize.approx_fprime) of both as the textbook writes them; the weights of
    # rows lost are those that tests/training/test_scores.py holds against scikit-survival.
    grid, rng = np.array([0.0, 2.0, 5.0, 9.0, 14.0]), np.random.default_rng(4)
    time, event = rng.integers(1, 15, 60).astype(float), rng.random(60) < 0.6
    baseline, output = np.array([0.2, 0.3, 0.5, 0.4]), rng.normal(0, 0.5, (60, 4))
    rows = np.arange(60)

    def curves(flat):
        hold = np.exp(-np.cumsum(baseline * np.exp(flat.reshape(60, 4)), axis=1))
        return np.hstack([np.ones((60, 1)), hold])

    def minus_log_likelihood(flat):
        hold = curves(flat)
        at = np.searchsorted(grid, time)
        share = (time - grid[at - 1]) / (grid[at] - grid[at - 1])
        row = np.arange(60)
        lost = hold[row, at - 1] ** (1 - share) * hold[row, at] ** share
        return -np.log(np.where(event, hold[row, at - 1] - hold[row, at], lost)).sum()

    def brier(flat):
        weights = censoring_weights(time, event, grid)
        squared = weights.weights * (curves(flat) - ~weights.returned) ** 2
        return np.trapezoid(squared.sum(axis=0), grid) / grid[-1]

    outcomes = check_outcomes(time, event)
    for share in (0.0, 3.0):
        found = HazardLoss.of(outcomes, grid, baseline, share).gradient(output, rows)
        numeric = approx_fprime(output.ravel(), lambda o, s=share: minus_log_likelihood(o) + s * brier(o), 1e-6)
        np.testing.assert_allclose(found.ravel(), numeric, atol=2e-4)


def test_late_entries_are_held_to_their_curve_from_then_on():
    # By hand: watched from day 2 of a bin of 4 days, back in it. Given the entry, the hold curve is exp(-h/2).
    grid, h = np.array([0.0, 4.0]), 0.8
    for share, squared in ((0.0, 0.0), (3.0, 3.0 / 2)):
        loss = HazardLoss.of(check_outcomes([3.0], [True], [2.0]), grid, np.array([h]), share)
        hold = np.exp(-h / 2)
        by_hand = -(h / 2) * hold / (1 - hold) - squared * 2 * hold * (h / 2) * hold
        assert loss.gradient(np.zeros((1, 1)), np.array([0]))[0, 0] == pytest.approx(by_hand, rel=1e-5)


def told(seed, n):
    """Invented packs: a wear that no reading shows by itself sets the hazard; few are followed to the fault."""
    rng = np.random.default_rng(seed)
    readings = rng.normal(size=(n, 5))
    wear = readings[:, 0] * readings[:, 1] + np.abs(readings[:, 2]) - 0.8
    scale = 20 * np.exp(-1.2 * wear)
    died, followed = scale * rng.weibull(1.5, n), rng.uniform(1, 20, n)
    truth = np.exp(-((DAYS / scale[:, None]) ** 1.5))
    return readings, np.minimum(died, followed), died <= followed, wear[:, None], truth


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_is_hidden_helps_to_learn_and_is_not_asked_for(seed):
    X, time, event, wear, _ = told(seed, 600)
    fresh, *_, truth = told(seed + 100, 1500)

    def error(hidden):
        model = HazardNetwork(layers=2, width=48, monotone_width=2, dropout=0.2, epochs=60, batch=64, hidden_error=1.0)
        curves = model.fit(X, time, event, hidden=hidden).predict_survival(fresh, DAYS)
        return np.sqrt(np.mean((curves - truth) ** 2))

    of_another = np.random.default_rng(seed).permutation(wear)
    assert error(wear) < 0.975 * min(error(None), error(of_another))


def test_hidden_values_that_say_nothing_change_nothing():
    X, time, event, wear, _ = told(4, 300)
    curves = HazardNetwork(epochs=8).fit(X, time, event).predict_survival(X, DAYS)
    for nothing in (np.full((300, 2), np.nan), np.ones((300, 1)), np.empty((300, 0))):
        again = HazardNetwork(epochs=8).fit(X, time, event, hidden=nothing).predict_survival(X, DAYS)
        np.testing.assert_allclose(again, curves)
    tenfold = HazardNetwork(epochs=8).fit(X, time, event, hidden=10 * wear + 3).predict_survival(X, DAYS)
    once = HazardNetwork(epochs=8).fit(X, time, event, hidden=wear).predict_survival(X, DAYS)
    np.testing.assert_allclose(tenfold, once, atol=1e-3)
    assert np.abs(once - curves).max() > 0.01


def test_the_slope_by_hidden_values_is_that_of_their_squared_error():
    # By hand: of the known values 1, 2 and 6, weighed 1, 1 and 2, mean 3.75 and variance 5.1875.
    hidden, weights = np.array([[1.0], [2.0], [6.0], [np.nan]]), np.array([1.0, 1.0, 2.0, 4.0])
    auxiliary = AuxiliaryTargets.of(hidden, weights, 0.5)
    np.testing.assert_allclose(auxiliary.value[:, 0], [*(np.array([1, 2, 6]) - 3.75) / np.sqrt(5.1875), 0], rtol=1e-6)
    rng = np.random.default_rng(0)
    free, rows = rng.normal(size=(4, 3)), np.arange(4)
    first = {"hidden out": rng.normal(size=(3, 1)), "hidden shift": rng.normal(size=1)}

    def loss(shift):
        read = free @ first["hidden out"] + shift
        return 0.5 * ((weights / 2)[:3, None] * (read - auxiliary.value)[:3] ** 2).sum()

    gradient = auxiliary.gradient(first, free, rows)
    assert gradient[3, 0] == 0
    assert gradient.sum() == pytest.approx(approx_fprime(first["hidden shift"], loss, 1e-6)[0], rel=1e-4)


def test_a_direction_shows_in_the_curves():
    X, time, event, entry, _ = cohort(6, n=1200)
    frame = pd.DataFrame(X, columns=["step", "load", "gate", "noise"])
    for column, sign in ((1, -1), ("load", 1)):
        model = HazardNetwork(epochs=12, monotone={column: sign}).fit(frame, time, event, entry)
        swept = np.repeat(frame.fillna(0.0).to_numpy()[:40], 15, axis=0)
        swept[:, 1] = np.tile(np.linspace(-6, 6, 15), 40)
        change = np.diff(model.predict_survival(swept, DAYS).reshape(40, 15, -1), axis=1)
        assert np.all(-sign * change >= -1e-12)
        if sign == 1:  # the truth rises where the gate is open, so the direction leaves something to see
            assert change.min() < -0.01
    free = HazardNetwork(epochs=12).fit(frame, time, event, entry)
    free_change = np.diff(free.predict_survival(swept, DAYS).reshape(40, 15, -1), axis=1)
    assert free_change.max() > 0.001


def test_curves_are_curves_and_a_batch_of_one_gives_the_same_numbers():
    X, time, event, entry, _ = cohort(8, n=800)
    model = HazardNetwork(epochs=10).fit(X, time, event, entry)
    many = model.predict_survival(np.tile(X, (7, 1)), DAYS)  # more than one chunk
    assert np.all(many[:, 0] == 1)
    assert np.all((many > 0) & (many <= 1))
    assert np.all(np.diff(many, axis=1) <= 0)
    single = np.vstack([model.predict_survival(X[i : i + 1], DAYS) for i in range(20)])
    np.testing.assert_allclose(single, many[:20], rtol=1e-12)
    with pytest.raises(BadInput, match="horizon"):
        model.predict_survival(X, [91])


def test_units_rows_and_weights():
    X, time, event, entry, _ = cohort(9, n=700)
    rng = np.random.default_rng(0)
    curves = HazardNetwork().fit(X, time, event, entry).predict_survival(X, DAYS)
    tenfold = HazardNetwork(10 * DAYS).fit(1000 * X, 10 * time, event, 10 * entry)
    np.testing.assert_allclose(tenfold.predict_survival(1000 * X, 10 * DAYS), curves, atol=1e-3)
    order = rng.permutation(len(time))
    shuffled = HazardNetwork().fit(X[order], time[order], event[order], entry[order])
    assert np.abs(shuffled.predict_survival(X, DAYS) - curves).mean() < 0.02
    weights = rng.integers(1, 4, len(time))
    weighted = HazardNetwork(epochs=48).fit(X, time, event, entry, weights).predict_survival(X, DAYS)
    repeated = HazardNetwork().fit(*(np.repeat(v, weights, axis=0) for v in (X, time, event, entry)))
    assert np.abs(repeated.predict_survival(X, DAYS) - weighted).mean() < 0.02
    tilted = HazardNetwork().fit(X, time, event, entry, np.where(event, 6.0, 1.0)).predict_survival(X, DAYS)
    assert np.abs(tilted - curves).mean() > 0.04


def test_weight_zero_rows_and_rows_past_the_horizon_say_nothing():
    X, time, event, entry, _ = cohort(10, n=600)
    base = HazardNetwork(epochs=5).fit(X, time, event, entry).predict_survival(X, DAYS)
    more = [np.concatenate([v, v[:50]]) for v in (X, time, event, entry)]
    more[1][-25:], more[3][-25:] = 200.0, 120.0
    weights = np.r_[np.ones(len(time)), np.zeros(25), np.ones(25)]
    again = HazardNetwork(epochs=5).fit(*more, weights).predict_survival(X, DAYS)
    np.testing.assert_allclose(again, base)


@pytest.mark.parametrize("rows", [4, 12, 40])
def test_a_handful_of_packs_and_features_never_known(rows):
    rng = np.random.default_rng(rows)
    X = rng.normal(size=(rows, 4))
    X[:, 1], X[:, 2], X[1:, 3] = np.nan, 3.0, np.nan
    event = np.arange(rows) % 4 == 0
    curves = HazardNetwork(monotone={1: 1, 3: -1}).fit(X, rng.uniform(1, 80, rows), event).predict_survival(X, DAYS)
    assert np.all((curves > 0) & (curves <= 1))
    assert np.all(np.diff(curves, axis=1) <= 0)


def test_bad_input_is_named():
    with pytest.raises(BadInput, match="event"):
        HazardNetwork().fit(np.zeros((3, 1)), [100, 120, 5], [True, True, False])
    with pytest.raises(BadInput, match="X"):
        HazardNetwork().fit(np.zeros((2, 1)), [1, 2, 3], [True] * 3)
    with pytest.raises(BadInput, match="hidden"):
        HazardNetwork().fit(np.zeros((3, 1)), [1, 2, 3], [True] * 3, hidden=np.zeros((2, 1)))
    with pytest.raises(BadInput, match=r"hidden\[1, 0\]"):
        HazardNetwork().fit(np.zeros((3, 1)), [1, 2, 3], [True] * 3, hidden=[[0], [np.inf], [1]])
    with pytest.raises(BadInput, match="monotone"):
        HazardNetwork(monotone={"heat": 1}).fit(np.zeros((3, 1)), [1, 2, 3], [True] * 3)
