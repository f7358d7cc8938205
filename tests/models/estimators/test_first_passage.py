import time as clock

import numpy as np
import pandas as pd
import pytest

from models.estimators import first_passage
from models.estimators.first_passage import FirstPassageLaw, FirstPassageRegression


def cohort(seed, n=3000, columns=3, late=0.3):
    """Invented packs whose level and drift follow the first two features, some entered late, some censored."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, columns))
    died = first_passage.quantile(rng.random(n), np.exp(1.2 + 0.3 * X[:, 0]), 0.3 + 0.2 * X[:, 1])
    followed = rng.uniform(2, 90, n)
    entry = np.where(rng.random(n) < late, rng.uniform(0, 5, n), 0.0)
    time, event = np.minimum(died, followed), died <= followed
    seen = time > entry
    return X[seen], time[seen], event[seen], entry[seen]


def test_stable_where_the_plain_formula_overflows():
    # Far out log S falls by μ²/2 a day: the exponential tail of the inverse Gaussian.
    tail = first_passage.log_survival([1e6, 1e6 + 1000], 5, 3)
    assert tail[1] - tail[0] == pytest.approx(-4500, abs=0.01)
    # exp(2aμ) alone is e^8000 here; by then the passage at day 40 is sharp to ±2 days.
    np.testing.assert_allclose(first_passage.cdf([30, 50], level=400, drift=10), [0, 1], atol=1e-9)
    assert first_passage.cdf(40, level=400, drift=10) == pytest.approx(0.5, abs=0.05)


def test_day_zero_and_bad_arguments():
    assert first_passage.survival(0, 1, 1) == 1
    assert first_passage.pdf(0, 1, 1) == 0
    assert first_passage.quantile(0, 1, 1) == 0
    for bad in ({"time": -1, "level": 1}, {"time": 1, "level": 0}, {"time": 1, "level": 1, "sd": 0}):
        with pytest.raises(ValueError, match="positive"):
            first_passage.cdf(drift=1, **bad)
    with pytest.raises(ValueError, match="probability"):
        first_passage.quantile(1.0, 1, 1)


@pytest.mark.parametrize("part", ["log_density", "log_survival"])
def test_gradients(part):
    rng = np.random.default_rng(0)
    time, level, drift = np.exp(2 * rng.normal(size=1000)), 1.5 * rng.normal(size=1000), 2 * rng.normal(size=1000)
    value = getattr(FirstPassageLaw(), part)
    _, by_level, by_drift = value(time, level, drift)
    h = 1e-6
    for exact, up, down in (
        (by_level, value(time, level + h, drift), value(time, level - h, drift)),
        (by_drift, value(time, level, drift + h), value(time, level, drift - h)),
    ):
        np.testing.assert_allclose(exact, (up[0] - down[0]) / (2 * h), rtol=1e-4, atol=1e-4)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_recovers_level_and_drift_with_late_entry_and_censoring(seed):
    X, time, event, entry = cohort(seed)
    level, drift = FirstPassageRegression().fit(X, time, event, entry).level_and_drift(X)
    # Monte-Carlo error of about 2 % of the level and 0.01 of the drift at 3,000 rows.
    assert np.median(np.abs(np.log(level) - (1.2 + 0.3 * X[:, 0]))) < 0.06
    assert np.median(np.abs(drift - (0.3 + 0.2 * X[:, 1]))) < 0.03


def test_ignoring_late_entry_would_show():
    X, time, event, entry = cohort(4, late=1.0)
    with_entry = FirstPassageRegression().fit(X, time, event, entry).predict_survival(X, [3.0]).mean()
    without = FirstPassageRegression().fit(X, time, event).predict_survival(X, [3.0]).mean()
    assert without > with_entry + 0.03


def test_units_rows_weights_and_batches():
    X, time, event, entry = cohort(5, n=400)
    X[::7, 1] = np.nan
    days = np.array([0.0, 3, 10, 60])
    base = FirstPassageRegression().fit(X, time, event, entry)
    curves = base.predict_survival(X, days)
    assert np.all(curves[:, 0] == 1)
    assert np.all(np.diff(curves, axis=1) <= 0)
    np.testing.assert_allclose(base.predict_survival(X[3:4], days), curves[3:4], rtol=1e-12)
    tenfold = FirstPassageRegression().fit(X, 10 * time, event, 10 * entry)
    np.testing.assert_allclose(tenfold.predict_survival(X, 10 * days), curves, atol=1e-5)
    order = np.random.default_rng(0).permutation(len(time))
    shuffled = FirstPassageRegression().fit(X[order], time[order], event[order], entry[order])
    np.testing.assert_allclose(shuffled.predict_survival(X, days), curves, atol=1e-5)
    weights = np.random.default_rng(1).integers(0, 4, len(time))
    weighted = FirstPassageRegression().fit(X, time, event, entry, weights)
    repeated = FirstPassageRegression().fit(*(np.repeat(v, weights, axis=0) for v in (X, time, event, entry)))
    np.testing.assert_allclose(weighted.predict_survival(X, days), repeated.predict_survival(X, days), atol=1e-5)


def test_frames_are_read_by_name():
    X, time, event, entry = cohort(6, n=300)
    frame = pd.DataFrame(X, columns=["gain_v", "leak", "noise"])
    model = FirstPassageRegression().fit(frame, time, event, entry)
    np.testing.assert_array_equal(
        model.predict_survival(frame[["noise", "leak", "gain_v"]], [7.0]), model.predict_survival(frame, [7.0])
    )
    np.testing.assert_array_equal(model.predict_survival(X, [7.0]), model.predict_survival(frame, [7.0]))


def test_twenty_thousand_rows_in_seconds():
    X, time, event, entry = cohort(7, n=20_000, columns=40)
    started = clock.perf_counter()
    FirstPassageRegression().fit(X, time, event, entry)
    assert clock.perf_counter() - started < 10
