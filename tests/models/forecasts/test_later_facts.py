"""Nobody is let go by a view of the past when what is on record since then is dangerous."""

from __future__ import annotations

from datetime import timedelta

import pandas as pd
import pytest

from models.forecasts.withheld import DANGER_SINCE
from models.packs.history import Outcome, PackHistory, TopUp
from models.packs.stops import Stopped
from models.packs.tables import tables_from_histories
from models.topup.plan import plan_topup
from service.forecasting.bulk.scoring import score_tables
from tests.models.topup.test_reckoning import FAMILY, READ, car

BEFORE_CHARGE = READ + timedelta(hours=1)
RELEASED = READ + timedelta(hours=22)


def later(block: int, volts: float) -> PackHistory:
    """Read all blocks again a day after the release, one of them at other volts."""
    history = car()
    last = history.readings[-1]
    block_v = tuple(volts if b == block else v for b, v in enumerate(last.block_v, start=1))
    again = last.model_copy(update={"time": last.time + timedelta(days=1), "block_v": block_v})
    return history.model_copy(update={"readings": (*history.readings, again)})


def charged_again() -> PackHistory:
    """Put far more in a day after the release, and read nothing after it."""
    more = TopUp(time=RELEASED + timedelta(days=1), blocks=(5,), charge_ah=4.6, duration_h=7.0)
    return car().model_copy(update={"topups": (*car().topups, more)})


DANGERS = {"dead block": later(5, 0.0), "another block down": later(9, 11.9), "charged far too much": charged_again()}


@pytest.mark.parametrize("danger", DANGERS)
def test_a_forecast_from_before_a_danger_says_so_first_and_promises_nothing(small_trained, danger):
    """It promised as many days as if nothing had happened since."""
    history, forecaster = DANGERS[danger], small_trained.forecaster
    told = forecaster.forecast(history, at=RELEASED)
    assert told.flags[0].code == DANGER_SINCE
    assert told.flags[0].grave
    assert told.flags[0].text.startswith(f"There are entries after {RELEASED.isoformat(sep=' ', timespec='minutes')}")
    assert told.good_for() is None
    assert forecaster.what_if(history, at=RELEASED).plans == ()
    recheck = forecaster.recheck_plan(history, at=RELEASED)
    assert (recheck.limit_day, recheck.day, recheck.table) == (None, None, ())


@pytest.mark.parametrize("danger", ["dead block", "charged far too much"])
def test_no_charge_is_planned_for_a_moment_before_a_danger(danger):
    """What ends charging by now was not known to a plan of an earlier moment."""
    with pytest.raises(Stopped) as stopped:
        plan_topup(DANGERS[danger], FAMILY, at=BEFORE_CHARGE, block=5)
    assert stopped.value.stops[0].text.startswith("There are entries after")


@pytest.mark.parametrize("danger", DANGERS)
def test_in_bulk_as_alone(small_trained, danger):
    history, forecaster = DANGERS[danger], small_trained.forecaster
    scored, refused = score_tables(forecaster, tables_from_histories([history], {FAMILY.name: FAMILY}), RELEASED)
    assert refused.num_rows == 0
    (row,) = scored.to_pylist()
    told = forecaster.forecast(history, at=RELEASED)
    assert row["flags"] == [flag.code for flag in told.flags]
    assert row["withheld_by"] == list(told.withheld_by)
    assert row["good_for_90_days"] is row["week_return"] is row["week_wait_days"] is None


def test_a_level_reading_later_withholds_nothing(small_trained):
    forecaster, history = small_trained.forecaster, later(5, 13.0)
    told = forecaster.forecast(history, at=RELEASED)
    assert "later-facts-ignored" in {flag.code for flag in told.flags}
    assert DANGER_SINCE not in {flag.code for flag in told.flags}
    assert told.good_for() == forecaster.forecast(car(), at=RELEASED).good_for() is not None
    assert plan_topup(history, FAMILY, at=BEFORE_CHARGE, block=5).block == 5


def test_what_is_of_the_past_promises_nothing_in_figures_as_in_words(small_trained):
    """The sentences withheld the days of a pack whose fault came back since; the figures told them."""
    back = Outcome(time=RELEASED + timedelta(days=3), kind="returned")
    told = small_trained.forecaster.forecast(car().model_copy(update={"outcomes": (back,)}), at=RELEASED)
    assert told.withheld_by == ("ended-since",)
    assert told.good_for() is None


def test_a_moment_that_nobody_named_has_no_later_facts(small_trained):
    tables = tables_from_histories([charged_again()], {FAMILY.name: FAMILY})
    never = pd.Series([pd.NaT], dtype="datetime64[us, UTC]")
    moments = pd.DataFrame({"pack_id": tables.packs["pack_id"], "origin": never})
    assert small_trained.forecaster.flags_of_later(tables, moments) == {}


def test_a_recheck_of_what_is_withheld_names_no_day_at_all(small_trained):
    """Its limit was day 0, as if a day were known."""
    told = small_trained.forecaster.recheck_plan(charged_again())
    assert told.present.withheld_by
    assert (told.limit_day, told.day, told.candidates) == (None, None, ())
