import numpy as np
import pytest

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.calibration.recalibration import GroupRecalibration, Recalibration


def world(seed, n, factor=1.0, slope=1.0, late=0.3):
    """Invented packs whose true log hazard is the predicted one, turned by a slope and raised by a factor."""
    rng = np.random.default_rng(seed)
    x = 0.8 * rng.normal(size=n)
    predicted = np.exp(-np.exp(x)[:, None] * (DAYS / 25) ** 1.3)
    true_scale = 25 * (factor * np.exp(slope * x)) ** (-1 / 1.3)
    died = true_scale * rng.weibull(1.3, n)
    followed = rng.exponential(50, n)
    entry = np.where(rng.random(n) < late, rng.uniform(0, 8, n), 0.0)
    time, event = np.minimum(died, followed), died <= followed
    seen = time > entry
    return predicted[seen], time[seen], event[seen], entry[seen], np.exp(-((DAYS / true_scale[:, None]) ** 1.3))[seen]


def error(curves, truth):
    return np.sqrt(np.mean((curves - truth) ** 2))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_hazard_off_by_half_is_mended(seed):
    predicted, time, event, entry, truth = world(seed, 3000, factor=1.5)
    model = Recalibration().fit(predicted, time, event, entry)
    # About 2,000 events: the factor is known to 1.5/√2000, at either end of time to twice that; four of these.
    np.testing.assert_allclose(np.exp(model.intercepts_.mean()), 1.5, atol=4 * 1.5 / np.sqrt(2000))
    np.testing.assert_allclose(np.exp(model.intercepts_[:2]), 1.5, atol=8 * 1.5 / np.sqrt(2000))
    np.testing.assert_allclose(model.slopes_[:, 1:-1].mean(), 1.0, atol=0.2)
    assert error(model.transform(predicted), truth) < 0.25 * error(predicted, truth)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_forecasts_too_bold_are_drawn_together(seed):
    predicted, time, event, entry, truth = world(seed, 3000, slope=0.5)
    model = Recalibration().fit(predicted, time, event, entry)
    np.testing.assert_allclose(model.slopes_[:, 1:-1].mean(), 0.5, atol=0.2)  # the outer ends hold few rows
    assert error(model.transform(predicted), truth) < 0.35 * error(predicted, truth)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_is_right_stays(seed):
    predicted, time, event, entry, truth = world(seed, 3000)
    model = Recalibration().fit(predicted, time, event, entry)
    # The last bins hold few packs still at risk.
    assert np.all(np.abs(model.intercepts_) < [0.25, 0.15, 0.4])
    assert error(model.transform(predicted), truth) < 0.025


def test_few_outcomes_move_little_and_wreck_nothing():
    worst, moved = 0.0, []
    for seed in range(20):
        predicted, time, event, entry, _ = world(seed, 6)
        *_, truth = fresh = world(seed + 1000, 500)
        curves = Recalibration().fit(predicted, time, event, entry).transform(fresh[0])
        moved.append(error(curves, fresh[0]))
        worst = max(worst, error(curves, truth))
    assert np.mean(moved) < 0.04
    assert worst < 0.12
    loose = Recalibration(prior_outcomes=0.01)
    predicted, time, event, entry, _ = world(0, 6)
    assert error(loose.fit(predicted, time, event, entry).transform(predicted), predicted) > 2 * np.mean(moved)


def test_the_prior_counts_like_outcomes():
    # With all forecasts alike, n events against E expected and k agreeing made-up ones give (n + k)/(E + k).
    curve = np.exp(-DAYS / 50)
    time = np.full(40, 30.0)
    event = np.ones(40, dtype=bool)
    model = Recalibration(prior_outcomes=20).fit(np.tile(curve, (40, 1)), time, event)
    by_day_30 = -np.log(model.transform(curve[None, :]))[0, np.searchsorted(DAYS, 30)]
    factor = by_day_30 / (30 / 50)
    assert 1.0 < factor < 40 / (40 * 30 / 50)
    none = Recalibration(prior_outcomes=20).fit(np.tile(curve, (40, 1)), np.full(40, 1e-6), np.zeros(40, dtype=bool))
    np.testing.assert_allclose(none.transform(curve[None, :])[0], curve, atol=1e-6)


def test_curves_stay_curves_and_keep_their_order():
    predicted, time, event, entry, _ = world(5, 400, factor=3.0, slope=-1.0)
    out = Recalibration(prior_outcomes=0.1).fit(predicted, time, event, entry).transform(predicted)
    assert np.all(out[:, 0] == 1)
    assert np.all(np.diff(out, axis=1) <= 0)
    assert np.all((out >= 0) & (out <= 1))
    order = np.argsort(predicted[:, 10])
    assert np.all(np.diff(out[order, 10]) >= -1e-9)
    step = np.r_[np.ones(5), np.zeros(len(DAYS) - 5)][None, :]
    assert np.all(np.isfinite(Recalibration().fit(predicted, time, event, entry).transform(step)))


def test_units_rows_weights_and_batches():
    predicted, time, event, entry, _ = world(6, 400, factor=1.5)
    base = Recalibration().fit(predicted, time, event, entry)
    curves = base.transform(predicted)
    np.testing.assert_allclose(base.transform(predicted[7:8]), curves[7:8], rtol=1e-12)
    tenfold = Recalibration(10 * DAYS).fit(predicted, 10 * time, event, 10 * entry)
    np.testing.assert_allclose(tenfold.transform(predicted), curves, atol=1e-7)
    rng = np.random.default_rng(0)
    order, weights = rng.permutation(len(time)), rng.integers(0, 4, len(time))
    rows = (predicted, time, event, entry)
    np.testing.assert_allclose(Recalibration().fit(*(v[order] for v in rows)).transform(predicted), curves, atol=1e-6)
    np.testing.assert_allclose(
        Recalibration().fit(*rows, weights).transform(predicted),
        Recalibration().fit(*(np.repeat(v, weights, axis=0) for v in rows)).transform(predicted),
        atol=1e-6,
    )


def test_bad_curves_are_refused():
    predicted, time, event, entry, _ = world(7, 50)
    with pytest.raises(BadInput, match="rises"):
        Recalibration().fit(predicted[:, ::-1], time, event, entry)
    with pytest.raises(BadInput, match="grid"):
        Recalibration().fit(predicted[:, :4], time, event, entry)
    with pytest.raises(BadInput, match="rows"):
        Recalibration().fit(predicted[:-1], time, event, entry)


def test_groups_that_are_off_in_opposite_ways_are_both_mended():
    fast, slow = world(1, 3000, factor=1.5), world(2, 3000, factor=1 / 1.5)
    predicted, time, event, entry, truth = (np.concatenate(pair) for pair in zip(fast, slow, strict=True))
    group = np.repeat(["fast", "slow"], [len(fast[1]), len(slow[1])])
    mended = GroupRecalibration().fit(predicted, time, event, group, entry)
    together = Recalibration().fit(predicted, time, event, entry).transform(predicted)
    assert error(mended.transform(predicted, group), truth) < 0.3 * error(predicted, truth)
    assert error(mended.transform(predicted, group), truth) < 0.4 * error(together, truth)
    # A group that nobody has seen gets what holds for all.
    np.testing.assert_allclose(mended.transform(predicted, np.full(len(group), "new")), together)
