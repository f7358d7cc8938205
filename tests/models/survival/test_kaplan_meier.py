"""Product-limit estimates and censoring weights: properties that hold on any data, and recovery of a known truth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from models.base.errors import BadInput
from models.survival.censoring_weights import censoring_weights
from models.survival.kaplan_meier import censoring_distribution, kaplan_meier
from models.survival.reading_curves import own_day

rows = st.lists(
    st.tuples(st.integers(1, 20), st.booleans(), st.integers(0, 19), st.integers(1, 4)), min_size=1, max_size=40
).map(lambda found: np.array([(t, e, min(b, t - 1), w) for t, e, b, w in found], dtype=float).T)


@settings(max_examples=60, deadline=None)
@given(rows)
def test_weights_equal_repeats_and_row_order_is_nothing(data):
    time, event, entry, weights = data
    repeated = np.repeat(np.arange(time.size), weights.astype(int))
    rng = np.random.default_rng(0)
    rng.shuffle(repeated)
    days = np.arange(0, time.max() + 1)
    for estimate in (kaplan_meier, censoring_distribution):
        weighted = estimate(time, event, entry, weights)
        written_out = estimate(time[repeated], event[repeated], entry[repeated])
        assert_allclose(weighted.at(days), written_out.at(days), atol=1e-12)
        assert_allclose(weighted.standard_error(days), written_out.standard_error(days), atol=1e-12)


@settings(max_examples=60, deadline=None)
@given(rows)
def test_curves_are_curves(data):
    time, event, entry, _ = data
    days = np.arange(0, time.max() + 1)
    curve = kaplan_meier(time, event, entry)
    survival = curve.at(days)
    assert np.all((survival >= 0) & (survival <= 1))
    assert np.all(np.diff(survival) <= 1e-15)
    low, high = curve.interval(days)
    known = ~np.isnan(low)
    assert np.all((low <= survival + 1e-12)[known])
    assert np.all((survival <= high + 1e-12)[known])
    assert np.all(curve.at_risk >= curve.events)


def test_without_censoring_it_is_the_share_still_holding():
    time = np.random.default_rng(1).exponential(10, 500)
    days = np.linspace(0, 40, 9)
    assert_allclose(kaplan_meier(time, np.ones(500, bool)).at(days), [(time > d).mean() for d in days], atol=1e-12)


def test_weighted_share_of_returns_is_the_product_limit_estimate():
    # Satten & Datta, The American Statistician 55, 207-210, 2001: the same estimate written in two ways.
    rng = np.random.default_rng(2)
    time, event = np.ceil(rng.exponential(15, 400)), rng.random(400) < 0.6
    days = np.array([3.0, 8.0, 20.0])
    found = censoring_weights(time, event, days, min_followed=1e-9)
    share = (found.weights * found.returned).mean(axis=0)
    assert_allclose(share, 1 - kaplan_meier(time, event).at(days), rtol=1e-12)


def test_a_fixed_end_of_follow_up_keeps_its_last_day_usable():
    rng = np.random.default_rng(3)
    life = rng.exponential(60, 2000)
    time, event = np.minimum(life, 90.0), life <= 90.0
    found = censoring_weights(time, event, [90.0])
    assert_allclose(found.weights, 1.0)
    assert found.truncated[0] == 0


def test_truncation_is_counted_and_bounds_the_weights():
    rng = np.random.default_rng(4)
    life, lost = rng.exponential(40, 1000), rng.exponential(10, 1000)
    time, event = np.minimum(life, lost), life <= lost
    found = censoring_weights(time, event, [10.0, 40.0], min_followed=0.1)
    free = censoring_weights(time, event, [10.0, 40.0], min_followed=1e-9)
    assert found.weights.max() <= 10
    assert_allclose(found.truncated, (free.weights > 10).sum(axis=0))
    assert found.truncated[1] > 0


@pytest.mark.parametrize("seed", range(5))
def test_recovers_the_truth_under_late_entry_and_informative_loss(seed):
    rng = np.random.default_rng(seed)
    n = 8000
    worse = rng.random(n) < 0.5
    rate, loss = np.where(worse, 0.05, 0.01), np.where(worse, 0.06, 0.005)
    life, lost = rng.exponential(1 / rate), rng.exponential(1 / loss)
    entry = np.where(rng.random(n) < 0.4, rng.uniform(0, 15, n), 0.0)
    time, event = np.minimum(life, lost), life <= lost
    seen = time > entry
    time, event, entry, rate, loss = time[seen], event[seen], entry[seen], rate[seen], loss[seen]
    day, grid = 30.0, np.linspace(0, 90, 46)
    found = censoring_weights(
        time, event, [day], entry, censoring=np.exp(-np.outer(loss, grid)), grid=grid, min_followed=0.01
    )
    use = found.eligible[:, 0]
    share = (found.weights * found.returned)[use, 0]
    truth = (1 - np.exp(-rate * (day - entry)))[use]
    error = (share - truth).std() / np.sqrt(use.sum())
    assert abs(share.mean() - truth.mean()) < 3.5 * error
    # The marginal curve takes the loss for independent and lands elsewhere.
    marginal = censoring_weights(time, event, [day], entry, min_followed=0.01)
    assert abs((marginal.weights * marginal.returned)[use, 0].mean() - truth.mean()) > 3 * error


@pytest.mark.parametrize("seed", range(3))
def test_interval_covers(seed):
    rng = np.random.default_rng(seed)
    hits = 0
    for _ in range(300):
        life, lost = rng.exponential(20, 80), rng.exponential(30, 80)
        low, high = kaplan_meier(np.minimum(life, lost), life <= lost).interval(15.0, 0.9)
        hits += bool(low <= np.exp(-15 / 20) <= high)
    assert 0.85 <= hits / 300 <= 0.95  # 0.9 within three Monte-Carlo errors


def test_own_day_reads_each_row_on_its_day():
    grid = np.array([0.0, 10.0, 30.0])
    rates = np.array([0.01, 0.2, 0.05])
    curves = np.exp(-np.outer(rates, grid))
    days = np.array([3.0, 30.0, 17.0])
    assert_allclose(own_day(curves, days, grid), np.exp(-rates * days), rtol=1e-12)
    assert_allclose(own_day(curves, days[:, None] * [0.5, 1.0], grid)[:, 1], np.exp(-rates * days), rtol=1e-12)


@pytest.mark.parametrize(
    ("where", "arguments"),
    [
        ("time", {"time": [], "event": []}),
        ("time", {"time": [1.0, np.nan], "event": [True, True]}),
        ("event", {"time": [1.0, 2.0], "event": [True]}),
        ("event", {"time": [1.0, 2.0], "event": [2, 1]}),
        ("entry", {"time": [1.0, 2.0], "event": [True, True], "entry": [0.0, 2.0]}),
        ("weights", {"time": [1.0, 2.0], "event": [True, True], "weights": [1.0, -1.0]}),
    ],
)
def test_bad_input_says_where(where, arguments):
    with pytest.raises(BadInput) as caught:
        kaplan_meier(**arguments)
    assert caught.value.problems[0].where == where


def test_asking_past_the_follow_up_of_the_censoring_curve_is_refused():
    short = censoring_distribution([1.0, 2.0, 3.0], [False, True, False])
    assert short.last_day == 3.0
    unfinished = censoring_distribution([1.0, 2.0, 3.0], [False, True, True])
    with pytest.raises(BadInput, match="follow-up"):
        censoring_weights([5.0, 6.0], [True, True], [5.5], censoring=unfinished)
