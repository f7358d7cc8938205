"""What forbids a further charge is withheld in the models, whatever door asks, with a forecaster or without."""

from __future__ import annotations

from datetime import timedelta

import pytest

from models.forecasts.charge_warnings import CHARGE_NOTHING, charge_warnings
from models.interventions.plans import USUAL_PLANS
from models.packs.history import Outcome, PackHistory
from models.packs.stops import Stopped
from models.topup.plan import plan_topup
from tests.models.topup.test_reckoning import FAMILY, READ, car


def overcharged() -> PackHistory:
    return car(charge_ah=4.6)


def hot() -> PackHistory:
    history = car()
    last = history.readings[-1]
    cooler = last.model_copy(update={"time": last.time + timedelta(hours=2), "temperature_c": 20})
    readings = (*history.readings[:-1], last.model_copy(update={"temperature_c": 55}), cooler)
    return history.model_copy(update={"readings": readings})


def looked_at(history: PackHistory) -> PackHistory:
    last = history.readings[-1]
    sound = last.model_copy(update={"time": last.time + timedelta(hours=20), "inspected": "sound", "temperature_c": 16})
    return history.model_copy(update={"readings": (*history.readings, sound)})


@pytest.mark.parametrize(("history", "code"), [(overcharged(), "overcharge"), (hot(), "warm-pack")])
def test_no_plan_is_made_under_a_grave_warning_with_a_forecaster_or_without(history, code, small_trained):
    """`tideover.plan_topup` told what to put in where every door of the service withheld it."""
    for forecaster in (None, small_trained.forecaster):
        with pytest.raises(Stopped) as stopped:
            plan_topup(history, FAMILY, block=5, forecaster=forecaster)
        assert [stop.code for stop in stopped.value.stops] == [code]
        assert stopped.value.stops[0].by_look
    assert plan_topup(looked_at(history), FAMILY, block=5).block == 5
    flags = small_trained.forecaster.forecast(history).flags
    grave = [flag for flag in flags if flag.code in CHARGE_NOTHING]
    assert grave == [flag for flag in charge_warnings(history, FAMILY) if flag.code in CHARGE_NOTHING]


def test_what_was_warned_of_stands_once_the_fault_is_back():
    """With the return noted, the warning of the charge was gone, and another was planned."""
    history = overcharged()
    back = Outcome(time=READ + timedelta(hours=23), kind="returned")
    with pytest.raises(Stopped):
        plan_topup(history.model_copy(update={"outcomes": (back,)}), FAMILY, block=5)


def test_what_if_weighs_no_charge_under_a_grave_warning(small_trained):
    """`forecaster.what_if` told the days that another charge buys."""
    forecaster, history = small_trained.forecaster, overcharged()
    told = forecaster.what_if(history, USUAL_PLANS)
    assert told.plans == (), "its days are withheld under every plan"
    assert told.present.good_for() is None
    assert "no-charging" in {flag.code for flag in told.present.flags}
    charging = [plan for plan in USUAL_PLANS if plan.topped_blocks]
    assert charging
    with pytest.raises(Stopped):
        forecaster.what_if(history, charging)
