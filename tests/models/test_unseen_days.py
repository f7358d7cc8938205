"""A promise counts from the newest record of the pack: asked later, with nothing new, it is used up and never grows.

Two days became 9.7 when the same question was asked five months later: that the pack had held until then nobody had
seen. Property over simulated packs, which are invented.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from models.base.day_grid import DAYS, days_told
from models.calibration.conformal import RISKS
from models.decisions.hold_curves import held_until_now, told_until_now
from models.forecasts.inputs import last_seen
from models.packs.history import Outcome, UsagePlan
from models.packs.tables import from_days, history_of, known_at, to_days
from training.learning.moments import moments_of

LATER = (0.02, 0.7, 2.0, 6.0, 20.0, 60.0, 150.0, 700.0)


@pytest.fixture(scope="module")
def packs(small_cohort):
    """Moments of one release each, moved to the newest record by then."""
    moments = moments_of(small_cohort.tables, np.random.default_rng(0))
    some = moments[moments["occasion"] == "release"].groupby("pack_id").head(1).iloc[:150].reset_index(drop=True)
    return some.assign(origin=from_days(last_seen(small_cohort.tables, some)))


def promised(forecaster, batch, confidence):
    level = [forecaster.bound.told_level(confidence, g, w) for g, w in zip(batch.group, batch.widening, strict=True)]
    return days_told(batch.survival, batch.told_survival, batch.unseen_days, np.array(level))


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.9, 0.95])
def test_a_promise_given_later_is_no_longer_than_what_is_left_of_it(small_trained, small_cohort, packs, confidence):
    forecaster = small_trained.forecaster
    tables = known_at(small_cohort.tables, packs)
    first = forecaster.forecast_batch(tables, packs)
    assert np.all(first.unseen_days == 0)
    before = promised(forecaster, first, confidence)
    assert (before > 0).mean() > 0.2
    for gap in LATER:
        asked = packs.assign(origin=packs["origin"] + pd.Timedelta(days=gap).round("s"))
        batch = forecaster.forecast_batch(tables, asked)
        left = to_days(packs["origin"]) + before - to_days(asked["origin"])
        now = promised(forecaster, batch, confidence)
        assert np.all(now <= np.maximum(left, 0.0) + 1e-9)


def test_one_pack_is_told_the_same_as_many_and_a_record_renews_the_promise(small_trained, small_cohort, packs):
    forecaster = small_trained.forecaster
    tables = known_at(small_cohort.tables, packs)
    first = forecaster.forecast_batch(tables, packs)
    row = int(np.argmax(promised(forecaster, first, 0.8)))
    history, origin = history_of(tables, packs["pack_id"][row]), packs["origin"][row].to_pydatetime()
    one = forecaster.forecast(history, at=origin)
    later = origin + timedelta(days=2)
    asked = forecaster.forecast(history, at=later)
    assert asked.unseen_days == pytest.approx(2.0)
    assert asked.good_for(0.8) <= one.good_for(0.8) - 2.0 + 1e-6
    level = asked.told_levels()[np.searchsorted(RISKS, 0.2 - 1e-9)]
    assert 1 - asked.hold_probability(asked.good_for(0.8)) == pytest.approx(level, abs=1e-6)
    # Seen running, it has held: then the conditional curve may be promised from.
    seen = history.model_copy(update={"outcomes": (*history.outcomes, Outcome(time=later, kind="running"))})
    assert seen.seen_at(later) == history.seen_at(later), "its blocks were not measured"
    assert forecaster.forecast(seen, at=later).unseen_days == 0
    assert forecaster.forecast(seen, at=later).good_for(0.8) > asked.good_for(0.8)
    # A plan tells nothing of the pack, but the promise is one under that plan.
    plan = UsagePlan(time=later, km_per_day=5.0, trips_per_day=1.0, ambient_c=15.0)
    planned = history.model_copy(update={"usage": (*history.usage, plan)})
    assert forecaster.forecast(planned).unseen_days == pytest.approx(2.0)


def test_what_lists_decide_on_is_used_up_too():
    """With a steady hazard, where reading between the days of the grid is exact."""
    curves = np.exp(-np.outer(np.geomspace(1e-3, 0.3, 60), DAYS))
    told = np.tile(RISKS, (60, 1))
    for held in (0.0, 0.4, 3.0, 17.5):
        now, levels = held_until_now(curves, held), told_until_now(told, curves, held)
        assert np.all(levels <= told + 1e-12)
        for place in (5, 10, 20, 50):
            first = days_told(curves, curves, 0.0, told[:, place])
            left = days_told(now, now, 0.0, levels[:, place])
            inside = first < DAYS[-1]
            np.testing.assert_allclose(left[inside], np.maximum(first[inside] - held, 0.0), atol=1e-9)
