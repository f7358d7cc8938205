"""What a history refuses, and how it says so."""

from datetime import UTC, datetime, timedelta

import pytest
from pydantic import ValidationError

from models.base.errors import BadInput, problems_from
from models.packs.history import BlockReading, Outcome, PackHistory, TopUp, UsagePlan, family_problems, require_fit
from training.files.families import load_families

DAY = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)
FAMILY = load_families()["marl-28"]


def _later(days):
    return DAY + timedelta(days=days)


def _rest(days=0.0, blocks=14, **given):
    return BlockReading(**{"time": _later(days), "state": "rest", "block_v": (15.4,) * blocks} | given)


def _history(**given):
    usual = {
        "pack_id": "MB-01",
        "family": "marl-28",
        "readings": (_rest(),),
        "topups": (TopUp(time=_later(0.2), blocks=(4,), charge_ah=1.4),),
    }
    return PackHistory(**(usual | given))


def _problem(make):
    with pytest.raises(ValidationError) as error:
        make()
    (problem,) = problems_from(error.value)
    assert problem.what.endswith(".")
    assert problem.mend.endswith((".", ":", "00"))
    return problem


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: _rest(block_v=(15.4,)), "shows no imbalance: it takes at least two"),
        (lambda: _rest(block_v=(15.4, None, None)), "fewer than two blocks"),
        (lambda: _rest(block_v=(15400.0, 15380.0)), "millivolts"),
        (lambda: _rest(state="discharge", current_a=-20.0), "20 a flow into the pack"),
        (lambda: _rest(state="charge", current_a=20.0), "20 a flow out of the pack"),
        (lambda: TopUp(time=DAY, blocks=(3, 3)), "twice"),
        (lambda: TopUp(time=DAY, blocks=(3,), end_v=17000.0), "millivolts"),
    ],
)
def test_property_impossible_facts(make, words):
    assert words in _problem(make).what.lower()


@pytest.mark.parametrize(
    ("make", "where"),
    [
        (lambda: _rest(time=datetime(2026, 3, 2)), "time"),  # noqa: DTZ001 - a time without offset is the point
        (lambda: _rest(state="idle"), "state"),
        (lambda: _rest(temperature_c=300.0), "temperature_c"),
        (lambda: _rest(current_a=float("nan")), "current_a"),
        (lambda: _rest(block_v=(15.4, float("inf"))), "block_v[1]"),
        (lambda: TopUp(time=DAY, blocks=()), "blocks"),
        (lambda: TopUp(time=DAY, blocks=(0,)), "blocks[0]"),
        (lambda: TopUp(time=DAY, blocks=(1,), charge_ah=-1.0), "charge_ah"),
        (lambda: UsagePlan(km_per_day=-3.0), "km_per_day"),
        (lambda: UsagePlan(parked_days_in_30=31.0), "parked_days_in_30"),
        (lambda: Outcome(time=DAY, kind="sold"), "kind"),
        (lambda: _history(pack_id=""), "pack_id"),
        (lambda: _history(colour="red"), "colour"),
    ],
)
def test_property_the_field_is_named(make, where):
    assert _problem(make).where == where


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"readings": (), "topups": ()}, "no reading and no top-up"),
        ({"readings": (_rest(3), _rest(1))}, "readings[1].time"),
        ({"readings": (_rest(0), _rest(1, blocks=13))}, "readings[1].block_v has 13"),
        ({"outcomes": (Outcome(time=_later(-1), kind="returned"),)}, "before the first top-up"),
        ({"topups": (), "outcomes": (Outcome(time=_later(2), kind="returned"),)}, "no top-up"),
    ],
)
def test_property_facts_that_contradict_each_other(given, words):
    assert words.lower() in _problem(lambda: _history(**given)).what.lower()


def test_property_a_channel_that_was_not_read_is_none_and_facts_cannot_change():
    history = _history(readings=(_rest(block_v=(15.4, None) + (15.4,) * 12),))
    assert history.readings[0].block_v[1] is None
    with pytest.raises(ValidationError):
        history.readings[0].state = "charge"
    assert history.last_fact_time == _later(0.2)


def test_property_histories_that_cannot_be_of_their_family():
    assert family_problems(_history(), FAMILY) == []
    short = family_problems(_history(readings=(_rest(blocks=10),)), FAMILY)
    assert [p.where for p in short] == ["readings[0].block_v"]
    # 1.28 V is a cell, 216 V a pack: neither is a block of 12 cells.
    whole = family_problems(_history(readings=(_rest(block_v=(15.4,) * 13 + (216.0,)),)), FAMILY)
    assert [p.where for p in whole] == ["readings[0].block_v[13]"]
    with pytest.raises(BadInput) as error:
        require_fit(_history(topups=(TopUp(time=DAY, blocks=(15,)),)), FAMILY)
    assert error.value.problems[0].where == "topups[0].blocks"


def test_property_a_history_reads_back_from_its_own_json():
    history = _history(
        usage=(UsagePlan(km_per_day=40.0),), outcomes=(Outcome(time=_later(9), kind="returned", code="P0A80"),)
    )
    assert PackHistory.model_validate_json(history.model_dump_json()) == history
