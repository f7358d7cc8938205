"""The alarm: false no more often than stated, quick where it matters, indifferent to how packs are lost."""

from __future__ import annotations

import numpy as np
import pytest

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.survival.reading_curves import own_day
from training.monitoring.alarm import FACTORS, STAKES, AlarmTrace


def year_of_forecasts(rng, factor, n):
    """Invented: forecasts over a year with hazards of many shapes; true hazards are `factor` times as high.

    Packs with a poor forecast are replaced sooner, as workshops do; whoever is left at the year's end is censored.
    """
    scale, shape = np.exp(rng.normal(3.0, 0.9, n)), rng.uniform(0.7, 2.0, n)
    survival = np.maximum(np.exp(-((DAYS / scale[:, None]) ** shape[:, None])), 1e-12)
    reached = rng.exponential(size=n) / factor
    # Linear in the cumulative hazard between grid days, as curves are read.
    life = np.array([np.interp(h, -np.log(s), DAYS, right=1e9) for h, s in zip(reached, survival, strict=True)])
    replaced = rng.exponential(40.0, n) * np.where(scale < 15, 0.5, 1.3)
    issued = np.sort(rng.uniform(0, 365, n))
    end = np.minimum(np.minimum(life, replaced), np.minimum(DAYS[-1], 365 - issued))
    return survival, issued, np.maximum(end, 1e-9), life <= end


def returns_at_alarm(trace):
    if trace.raised_on is None:
        return np.inf
    return trace.returns[np.argmax(trace.evidence >= 1 / trace.false_alarms_a_year)]


def test_false_alarms_of_a_year_stay_below_the_stated_rate():
    rng = np.random.default_rng(0)
    raised = [AlarmTrace.watch(*year_of_forecasts(rng, 1.0, 300), now=365.0).raised_on is not None for _ in range(600)]
    # Ville: at most 5 % in truth; with 600 runs a share above 6.8 % would be two standard errors off.
    assert np.mean(raised) <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 600)


@pytest.mark.parametrize("factor", [1.5, 1 / 1.5])
def test_a_factor_of_one_and_a_half_is_found_within_sixty_returns_as_a_rule(factor):
    rng = np.random.default_rng(1)
    needed = [returns_at_alarm(AlarmTrace.watch(*year_of_forecasts(rng, factor, 600), now=365.0)) for _ in range(120)]
    assert np.median(needed) <= 60
    # No test at this rate can be much faster: log(1/α) over the information of one return (Wald's identity).
    information = np.log(factor) - (1 - 1 / factor)
    assert np.median(needed) >= 0.5 * np.log(20) / information


def test_evidence_is_a_martingale_of_mean_one():
    """Property: before any alarm rule, the mean of the gambler's wealth stays 1."""
    rng = np.random.default_rng(2)
    final = [AlarmTrace.watch(*year_of_forecasts(rng, 1.0, 12), now=365.0).evidence[-1] for _ in range(3000)]
    assert np.mean(final) == pytest.approx(1.0, abs=4 * np.std(final) / np.sqrt(3000))


def test_one_forecast_by_hand():
    """Held 7 days of a forecast with 0.1 a day: N = 0, A = 0.7."""
    survival = np.exp(-0.1 * DAYS)[None]
    trace = AlarmTrace.watch(survival, [100.0], [7.0], [False], now=120.0)
    assert trace.expected[-1] == pytest.approx(0.7)
    expected = np.exp(-(np.array(FACTORS) - 1) * 0.7) @ np.array(STAKES)
    assert trace.evidence[-1] == pytest.approx(expected)
    late = AlarmTrace.watch(survival, [100.0], [7.0], [False], [3.0], now=120.0)
    assert late.expected[-1] == pytest.approx(0.4)
    assert sum(STAKES) == pytest.approx(1.0)


def test_a_new_year_starts_anew():
    survival = np.tile(np.exp(-0.001 * DAYS), (60, 1))
    issued = np.arange(60.0)
    trace = AlarmTrace.watch(survival, issued, np.full(60, 2.0), np.ones(60, dtype=bool), now=800.0)
    assert trace.raised_on is not None
    assert trace.raised_on < 20
    assert trace.evidence[-1] == pytest.approx(1.0)
    assert "Alarm: 60 returns came, each counted once, where 0.1 were forecast; " in trace.sentence()
    assert "faults come back more often" in trace.sentence()


def test_outcomes_of_the_future_are_refused():
    with pytest.raises(BadInput, match="ends after now"):
        AlarmTrace.watch(np.exp(-0.1 * DAYS)[None], [100.0], [7.0], [True], now=105.0)


def test_what_was_expected_is_the_sum_over_all_forecasts_on_every_day():
    """Property: the one pass over all bends against each curve read on each day
    (`models.survival.reading_curves.own_day`).
    """
    rng = np.random.default_rng(4)
    survival = np.exp(-np.outer(rng.uniform(0.005, 0.3, 40), DAYS ** rng.uniform(0.7, 1.4, 1)))
    origin, entry = rng.uniform(20000, 20300, 40), rng.uniform(0, 10, 40)
    time = entry + rng.uniform(0.1, 120, 40)
    trace = AlarmTrace.watch(survival, origin, time, np.ones(40, dtype=bool), entry, now=20500.0)
    for day, expected in zip(trace.day, trace.expected, strict=True):
        seen = np.clip(day - origin, entry, time)
        hazard = np.log(own_day(survival, entry)) - np.log(np.maximum(own_day(survival, seen), 1e-12))
        assert expected == pytest.approx(hazard.sum(), abs=1e-8)
