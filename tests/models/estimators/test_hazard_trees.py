import time as clock
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from sklearn.base import clone

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.estimators.cox import CoxRegression
from models.estimators.hazard_trees import BoosterSettings, HazardBooster
from models.survival.estimator import SurvivalEstimator
from models.survival.kaplan_meier import kaplan_meier

LARGE = BoosterSettings.for_events(1e6)


def cohort(seed, n=2500, late=0.3):
    """Invented packs: rising hazard with a step and an interaction in its features, some late, some missing."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, 4))
    log_ratio = 1.2 * (X[:, 0] > 0.5) + 0.8 * X[:, 1] * (X[:, 2] > 0) - 0.5
    scale = 20 * np.exp(-log_ratio / 1.4)
    died = scale * rng.weibull(1.4, n)
    followed = rng.uniform(5, 100, n)
    entry = np.where(rng.random(n) < late, rng.uniform(0, 10, n), 0.0)
    time, event = np.minimum(died, followed), died <= followed
    seen = time > entry
    truth = np.exp(-((DAYS / scale[:, None]) ** 1.4))
    X = np.where(rng.random(X.shape) < 0.02, np.nan, X)
    return X[seen], time[seen], event[seen], entry[seen], truth[seen]


def test_speaks_the_interface():
    assert isinstance(HazardBooster(), SurvivalEstimator)
    assert clone(HazardBooster(rounds=7)).rounds == 7


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("settings", "n"), [(None, 2500), (LARGE, 5000)])
def test_recovers_curves_that_no_linear_model_can(seed, settings, n):
    X, time, event, entry, _ = cohort(seed, n)
    fresh, *_, truth = cohort(seed + 100)
    booster = HazardBooster(settings=settings).fit(X, time, event, entry)
    error = np.sqrt(np.mean((booster.predict_survival(fresh, DAYS) - truth) ** 2))
    linear = np.sqrt(np.mean((CoxRegression().fit(X, time, event, entry).predict_survival(fresh, DAYS) - truth) ** 2))
    assert error < 0.075
    assert error < 0.8 * linear


def test_without_features_it_is_the_product_limit():
    _, time, event, entry, _ = cohort(4)
    curve = (
        HazardBooster().fit(np.zeros((len(time), 1)), time, event, entry).predict_survival(np.zeros((1, 1)), DAYS[1:18])
    )
    # Kaplan & Meier (1958) with late entry (Tsai, Jewell & Wang 1987), by models.survival.kaplan_meier.
    np.testing.assert_allclose(curve[0], kaplan_meier(time, event, entry).at(DAYS[1:18]), atol=0.02)


def test_ignoring_late_entry_would_show():
    X, time, event, entry, _ = cohort(5, late=1.0)
    honest = HazardBooster(rounds=50, stop_early=False).fit(X, time, event, entry).predict_survival(X, [7.0]).mean()
    wrong = HazardBooster(rounds=50, stop_early=False).fit(X, time, event).predict_survival(X, [7.0]).mean()
    assert wrong > honest + 0.05


@pytest.mark.parametrize("settings", [None, LARGE])
@pytest.mark.parametrize("column", [1, "load"])
def test_a_constraint_on_the_hazard_shows_in_the_curves(settings, column):
    X, time, event, entry, _ = cohort(6)
    frame = pd.DataFrame(X, columns=["step", "load", "gate", "noise"])
    for sign in (1, -1):
        model = HazardBooster(settings=settings, rounds=60, stop_early=False, monotone={column: sign}).fit(
            frame, time, event, entry
        )
        swept = np.repeat(frame.fillna(0.0).to_numpy()[:40], 15, axis=0)
        swept[:, 1] = np.tile(np.linspace(-3, 3, 15), 40)
        change = np.diff(model.predict_survival(swept, DAYS).reshape(40, 15, -1), axis=1)
        assert np.all(-sign * change >= -1e-12)
        if sign == 1:  # the truth rises where the gate is open, so the constraint leaves something to see
            assert change.min() < -0.01


def test_curves_are_curves_and_read_between_grid_days():
    X, time, event, entry, _ = cohort(7, n=800)
    model = HazardBooster(rounds=30, stop_early=False).fit(X, time, event, entry)
    days = np.sort(np.concatenate([DAYS, [0.5, 9, 13, 85]]))
    curves = model.predict_survival(X, days)
    assert np.all(curves[:, 0] == 1)
    assert np.all((curves > 0) & (curves <= 1))
    assert np.all(np.diff(curves, axis=1) <= 0)
    # Linear in the cumulative hazard: day 9 lies halfway between the grid days 8 and 10.
    at = model.predict_survival(X, [8, 9, 10])
    np.testing.assert_allclose(at[:, 1], np.sqrt(at[:, 0] * at[:, 2]))
    with pytest.raises(BadInput, match="horizon"):
        model.predict_survival(X, [91])


def test_a_batch_of_one_gives_the_same_numbers():
    X, time, event, entry, _ = cohort(8, n=800)
    model = HazardBooster(rounds=30, stop_early=False).fit(X, time, event, entry)
    many = model.predict_survival(np.tile(X, (7, 1)), DAYS)  # more than one chunk
    single = np.vstack([model.predict_survival(X[i : i + 1], DAYS) for i in range(20)])
    np.testing.assert_allclose(single, many[:20], rtol=1e-12)
    np.testing.assert_allclose(many[: len(X)], many[-len(X) :], rtol=1e-12)


def test_units_rows_and_weights():
    X, time, event, entry, _ = cohort(9, n=1200)
    rng = np.random.default_rng(0)
    curves = HazardBooster(rounds=40, stop_early=False).fit(X, time, event, entry).predict_survival(X, DAYS)
    tenfold = HazardBooster(10 * DAYS, rounds=40, stop_early=False).fit(X, 10 * time, event, 10 * entry)
    np.testing.assert_allclose(tenfold.predict_survival(X, 10 * DAYS), curves, atol=1e-6)
    # Summing in another order may turn a split between equals, so curves agree closely, not to the last digit.
    order = rng.permutation(len(time))
    shuffled = HazardBooster(rounds=40, stop_early=False).fit(X[order], time[order], event[order], entry[order])
    assert np.abs(shuffled.predict_survival(X, DAYS) - curves).mean() < 0.005
    # Trees count rows, not weights, against their smallest leaf: with none, weights are repeats.
    calm = replace(LARGE, min_periods=1, leaves=8)
    free = HazardBooster(rounds=20, stop_early=False, controls=1000, feature_share=1.0, settings=calm)
    coarse, weights = np.round(X, 1), rng.integers(1, 4, len(time))
    weighted = clone(free).fit(coarse, time, event, entry, weights).predict_survival(X, DAYS)
    repeated = clone(free).fit(*(np.repeat(v, weights, axis=0) for v in (coarse, time, event, entry)))
    assert np.abs(repeated.predict_survival(X, DAYS) - weighted).mean() < 0.002
    plain = clone(free).fit(coarse, time, event, entry).predict_survival(X, DAYS)
    assert np.abs(plain - weighted).mean() > 0.01


def test_weight_zero_rows_and_rows_past_the_horizon_say_nothing():
    X, time, event, entry, _ = cohort(10, n=600)
    base = HazardBooster(rounds=20, stop_early=False).fit(X, time, event, entry).predict_survival(X, DAYS)
    more = [np.concatenate([v, v[:50]]) for v in (X, time, event, entry)]
    more[1][-25:], more[3][-25:] = 200.0, 120.0
    weights = np.r_[np.ones(len(time)), np.zeros(25), np.ones(25)]
    np.testing.assert_allclose(
        HazardBooster(rounds=20, stop_early=False).fit(*more, weights).predict_survival(X, DAYS), base
    )


def test_thinned_controls_leave_the_level_alone():
    rng = np.random.default_rng(11)
    X = rng.normal(size=(20_000, 2))
    died = rng.exponential(2000 * np.exp(-X[:, 0]))
    model = HazardBooster(controls=10).fit(X, np.minimum(died, 90.0), died <= 90)
    assert model.predict_survival(X, [90]).mean() == pytest.approx(np.mean(died > 90), abs=0.005)


def test_groups_are_held_out_whole():
    # Each pack five times over: without its label a copy of every held-out row is learned from, and the search for
    # the number of rounds never sees that the features are noise.
    rng = np.random.default_rng(12)
    X, time = np.repeat(rng.normal(size=(150, 8)), 5, axis=0), np.repeat(rng.exponential(20, 150), 5)
    fit = {"X": X, "time": time, "event": np.ones(750, dtype=bool)}
    settings = BoosterSettings(False, True, learning_rate=0.1, leaves=16, min_periods=5, prior_events=1.0)
    leaky = HazardBooster(settings=settings).fit(**fit)
    grouped = HazardBooster(settings=settings).fit(**fit, groups=np.repeat(np.arange(150), 5))
    assert grouped.rounds_ < 20 < leaky.rounds_


def test_one_pack_is_forecast_in_milliseconds():
    X, time, event, entry, _ = cohort(13, n=2000)
    model = HazardBooster(stop_early=False, settings=LARGE).fit(np.tile(X, (1, 6)), time, event, entry)
    assert model.rounds_ == 100
    row = np.tile(X[:1], (1, 6))
    spent = []
    for _ in range(50):
        started = clock.perf_counter()
        model.predict_survival(row, DAYS)
        spent.append(clock.perf_counter() - started)
    # About 2 ms alone on the machine; the bench states the 4 ms target, this only catches a return to tens.
    assert np.median(spent) < 0.02


@pytest.mark.parametrize("rows", [4, 12, 40])
def test_a_handful_of_packs_and_features_never_known(rows):
    rng = np.random.default_rng(rows)
    X = rng.normal(size=(rows, 4))
    X[:, 1], X[:, 2], X[1:, 3] = np.nan, 3.0, np.nan
    event = np.arange(rows) % 4 == 0
    curves = HazardBooster().fit(X, rng.uniform(1, 80, rows), event).predict_survival(X, DAYS)
    assert np.all((curves > 0) & (curves <= 1))
    assert np.all(np.diff(curves, axis=1) <= 0)


def test_bad_input_is_named():
    with pytest.raises(BadInput, match="event"):
        HazardBooster().fit(np.zeros((3, 1)), [100, 120, 5], [True, True, False])
    with pytest.raises(BadInput, match="X"):
        HazardBooster().fit(np.zeros((2, 1)), [1, 2, 3], [True] * 3)
    with pytest.raises(BadInput, match="monotone"):
        HazardBooster(monotone={"heat": 1}).fit(np.zeros((3, 1)), [1, 2, 3], [True] * 3)


def test_reading_by_bins_is_reading_every_bin():
    """Parity with scikit-learn's own walk down the trees, for every bin of every row."""
    X, time, event, *_ = cohort(11, 3000, late=0.0)
    booster = HazardBooster(rounds=30, stop_early=False).fit(X, time, event)
    bins = len(booster.grid_) - 1
    periods = np.empty((len(X), bins, X.shape[1] + 1))
    periods[:, :, :-1], periods[:, :, -1] = booster.codes_.apply(X)[:, None, :], booster.grid_[1:]
    factor = booster.trees_.predict(periods.reshape(len(X) * bins, -1)).reshape(len(X), bins)
    hazard = np.cumsum(booster.start_.hazard(X) * factor, axis=1)
    np.testing.assert_allclose(booster.predict_survival(X, booster.grid_)[:, 1:], np.exp(-hazard), rtol=0, atol=1e-12)
    again = booster.predict_survival(X, booster.grid_)
    again_fitted = booster.fit(X[:1500], time[:1500], event[:1500]).predict_survival(X, booster.grid_)
    assert np.abs(again - again_fitted).max() > 1e-4  # what was made ready of the trees before is not used on
