"""What worlds have of their own is learned from worlds; a workshop's outcomes move a forecast as far as that says."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.calibration.workshop_posterior import WorkshopPosterior
from models.calibration.world_prior import WorldRecord, fit_world_prior

LEVEL_SD, EFFECT_SD = 0.6, 0.4


def world(rng, n, level=None, effect=None):
    """An invented world: curves believed exponential; the truth is faster by a level and by one column of two."""
    level = LEVEL_SD * rng.standard_normal() if level is None else level
    effect = EFFECT_SD * rng.standard_normal() if effect is None else effect
    mean_days = 20.0 * np.exp(0.5 * rng.standard_normal(n))
    X = pd.DataFrame({"telling": rng.standard_normal(n), "idle": rng.standard_normal(n)})
    time = rng.exponential(mean_days * np.exp(-level - effect * X["telling"].to_numpy()))
    lost = rng.exponential(60.0, n)
    survival = np.exp(-DAYS / mean_days[:, None])
    return WorldRecord(survival, X, np.minimum(time, lost) + 1e-6, time <= lost, np.ones(n)), time


@pytest.fixture(scope="module")
def prior():
    rng = np.random.default_rng(0)
    return fit_world_prior([world(rng, 150)[0] for _ in range(60)], {})


def score(survival, time):
    """Integrated Brier score against times that all are known."""
    return np.trapezoid(((survival - (time[:, None] > DAYS)) ** 2).mean(axis=0), DAYS) / DAYS[-1]


def test_the_spread_of_worlds_comes_back(prior):
    """Recovery: standard deviations of level and effect, from 60 worlds (error of a deviation about 9 in 100)."""
    sd = np.sqrt(np.diag(prior.law.covariance))
    assert sd[0] == pytest.approx(LEVEL_SD, rel=0.3)
    telling, idle = sd[-2:]
    assert telling == pytest.approx(EFFECT_SD, rel=0.3)
    assert idle < 0.1
    assert np.all(np.abs(prior.law.mean[-2:]) < 0.2)


def test_more_outcomes_forecast_better_on_average(prior):
    """Property: over 16 worlds the mean score falls with every step, and nearly reaches what the truth scores."""
    steps = (0, 10, 40, 160, 640)
    scores = []
    for seed in range(8):
        drawn = np.random.default_rng([1, seed]).standard_normal(2) * (LEVEL_SD, EFFECT_SD)
        for level, effect in (drawn, -drawn):  # in pairs, so that the mean world is the believed one
            rng = np.random.default_rng([2, seed])
            record, _ = world(rng, max(steps), level, effect)
            fresh, time = world(rng, 1500, level, effect)
            line = [score(fresh.survival, time)]
            for n in steps:
                some = WorldRecord(
                    record.survival[:n], record.X[:n], record.time[:n], record.event[:n], record.weights[:n]
                )
                told = WorkshopPosterior.learn(prior, some) if n else WorkshopPosterior.unlearned(prior)
                line.append(score(told.curves(fresh.survival, fresh.X)[0], time))
            factor = np.exp(level + effect * fresh.X["telling"].to_numpy())
            scores.append([*line, score(fresh.survival ** factor[:, None], time)])
    mean = np.mean(scores, axis=0)
    assert mean[1] < 1.01 * mean[0]  # averaging over worlds costs next to nothing where the middle one is right
    assert np.all(np.diff(mean[1:-1]) < 0)
    assert mean[-2] - mean[-1] < 0.1 * (mean[0] - mean[-1])


def test_bands_hold_what_is_seen(prior):
    """Recovery: over 60 worlds, the share in which the mean band on day 14 holds the share that held."""
    for n in (0, 60):
        inside = []
        for seed in range(60):
            rng = np.random.default_rng([2, seed])
            level, effect = LEVEL_SD * rng.standard_normal(), EFFECT_SD * rng.standard_normal()
            record, _ = world(rng, 60, level, effect)
            fresh, time = world(rng, 800, level, effect)
            told = WorkshopPosterior.learn(prior, record) if n else WorkshopPosterior.unlearned(prior)
            _, low, high = told.curves(fresh.survival, fresh.X)
            day = int(np.searchsorted(DAYS, 14))
            inside.append(low[:, day].mean() <= np.mean(time > 14) <= high[:, day].mean())
        assert np.mean(inside) >= 0.8


def test_curves_are_curves_and_lie_in_their_band(prior):
    rng = np.random.default_rng(3)
    record, _ = world(rng, 30)
    survival, low, high = WorkshopPosterior.learn(prior, record).curves(record.survival, record.X)
    for part in (survival, low, high):
        assert np.all(part[:, 0] == 1)
        assert np.all((part >= 0) & (part <= 1))
        assert np.all(np.diff(part, axis=1) <= 1e-12)
    assert np.all((low <= survival + 1e-12) & (survival <= high + 1e-12))


def test_it_says_how_much_faster_and_by_which_column(prior):
    rng = np.random.default_rng(4)
    record, _ = world(rng, 600, level=-0.7, effect=0.9)
    told = WorkshopPosterior.learn(prior, record)
    assert told.hazard_factor(record.survival, record.X) == pytest.approx(np.exp(-0.7 - prior.law.mean[0]), rel=0.25)
    moved = told.moved_columns(2.0)
    assert [name for name, by in moved if by > 0] == ["telling"]


def test_units_and_order_make_no_difference():
    """Invariance: another unit of a column, another order of rows."""
    rng = np.random.default_rng(5)
    worlds = [world(rng, 60)[0] for _ in range(12)]
    turned = []
    for w in worlds:
        X = w.X.assign(telling=1000.0 * w.X["telling"] + 7.0)
        turned.append(WorldRecord(w.survival[::-1], X[::-1], w.time[::-1], w.event[::-1], w.weights[::-1]))
    one, two = fit_world_prior(worlds, {}), fit_world_prior(turned, {})
    np.testing.assert_allclose(one.law.mean, two.law.mean, atol=1e-4)
    np.testing.assert_allclose(one.law.covariance, two.law.covariance, atol=1e-4)


def test_one_world_does_not_tell_how_worlds_differ():
    with pytest.raises(BadInput, match="1 worlds"):
        fit_world_prior([world(np.random.default_rng(6), 30)[0]], {})


def test_curves_over_worlds_are_the_plain_mean_and_quantiles(prior):
    """Parity with numpy's mean and quantile over every world's own curve, in any number of rows at a time."""
    record, _ = world(np.random.default_rng(5), 300)
    told = WorkshopPosterior.learn(prior, record)
    mean, low, high = told.curves(record.survival, record.X)
    terms = told.prior.terms(record.survival, record.X, told.scale)
    each = np.stack([np.exp(-np.exp(np.maximum.accumulate(terms.moved(w), axis=1))) for w in told.worlds])
    np.testing.assert_allclose(mean[:, 1:], each.mean(axis=0), atol=1e-12)
    np.testing.assert_allclose(low[:, 1:], np.minimum(np.quantile(each, 0.05, axis=0), mean[:, 1:]), atol=1e-12)
    np.testing.assert_allclose(high[:, 1:], np.maximum(np.quantile(each, 0.95, axis=0), mean[:, 1:]), atol=1e-12)
    alone = told.curves(record.survival[7:8], record.X.iloc[7:8])
    np.testing.assert_allclose(np.concatenate(alone), np.stack([mean[7], low[7], high[7]]), atol=1e-12)
