"""More put in than a plan from the readings before the charge would have: the plan is the measure."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from models.forecasts.charge_warnings import charge_warnings
from models.packs.stops import Stopped
from models.topup.plan import plan_topup
from models.topup.planned import most_planned_ah, past_plan
from models.topup.reckoning import before_charge
from tests.models.topup.test_reckoning import FAMILY, car


def test_the_most_is_that_of_the_plan_made_before_the_charge():
    rng, compared = np.random.default_rng(3), 0
    for _ in range(10):
        history = car(after_v=12.9, charge_ah=float(rng.uniform(0.2, 2.0)))
        (topup,) = history.topups
        start = before_charge(topup)
        known = history.model_copy(
            update={"topups": (), "readings": tuple(r for r in history.readings if r.time <= start)}
        )
        try:
            plan = plan_topup(known, FAMILY, block=topup.blocks[0])
        except Stopped:
            continue
        assert plan.charge is not None
        compared += 1
        assert most_planned_ah(history, FAMILY, topup)[topup.blocks[0]] == pytest.approx(plan.charge.most_ah, rel=0.01)
        for charge_ah, past in ((plan.charge.most_ah + 0.01, False), (plan.charge.most_ah + 0.3, True)):
            found = past_plan(history, FAMILY, topup.model_copy(update={"charge_ah": charge_ah}))
            assert (found is not None) is past
    assert compared > 5


def test_nothing_is_said_without_a_reading_of_the_days_before_or_of_the_charge():
    history = car(after_v=12.9, charge_ah=3.0)
    (topup,) = history.topups
    assert past_plan(history, FAMILY, topup)
    assert past_plan(history, FAMILY, topup.model_copy(update={"charge_ah": None})) is None
    late = topup.model_copy(update={"time": topup.time + timedelta(days=30)})
    assert past_plan(history.model_copy(update={"topups": ()}), FAMILY, late) is None
    assert past_plan(history.model_copy(update={"readings": ()}), FAMILY, topup) is None


@pytest.mark.parametrize(("more_ah", "code"), [(0.0, None), (0.5, "more-than-missing"), (1.5, "overcharge")])
def test_a_forecast_says_what_went_in_past_what_was_missing(more_ah, code):
    history = car(after_v=None, charge_ah=0.3)
    (topup,) = history.topups
    most = most_planned_ah(history, FAMILY, topup)[5]
    charged = topup.model_copy(update={"charge_ah": most + more_ah})
    flags = charge_warnings(history.model_copy(update={"topups": (charged,)}), FAMILY)
    told = {flag.code for flag in flags} & {"more-than-missing", "overcharge"}
    assert told == ({code} if code else set())
