"""What a block lacks is one number: whoever tells it reckons as the top-up plan does."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from models.packs.history import BlockReading, PackHistory, TopUp, UsagePlan
from models.topup.comparison import compare_topup
from models.topup.plan import plan_topup
from models.topup.reckoning import missing_when_last_read, worth_putting_in
from training.files.families import load_families

FAMILY = load_families()["gravel-14"]
READ = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
BEFORE = (13.0, 13.01, 13.02, 12.99, 12.82, 13.02, 13.01, 12.99, 13.0, 13.0, 12.99, 13.0, 13.03, 13.03)
LOAD = (11.32, 11.1, 11.18, 11.08, 10.82, 11.12, 11.28, 11.14, 11.16, 11.2, 11.34, 11.24, 11.14, 11.24)
AFTER = (12.86, 12.86, 12.87, 12.88, 13.1, 12.88, 12.88, 12.85, 12.87, 12.87, 12.85, 12.86, 12.89, 12.89)


def car(after_v: float | None = 13.1, charge_ah: float = 1.1) -> PackHistory:
    """Block 5 of an invented car read low, charged, and read the next day."""
    readings = [
        BlockReading(time=READ, state="rest", current_a=0, temperature_c=16, inspected="label", block_v=BEFORE),
        BlockReading(
            time=READ + timedelta(minutes=30), state="discharge", current_a=18.8, temperature_c=18, block_v=LOAD
        ),
    ]
    if after_v is not None:
        volts = (*AFTER[:4], after_v, *AFTER[5:])
        readings.append(
            BlockReading(time=READ + timedelta(hours=22), state="rest", current_a=0, temperature_c=16, block_v=volts)
        )
    charge = TopUp(time=READ + timedelta(hours=5), blocks=(5,), charge_ah=charge_ah, end_v=13.45, duration_h=2)
    plan = UsagePlan(time=READ + timedelta(hours=6), km_per_day=22, ambient_c=12)
    return PackHistory(
        pack_id="MB-CAB-01",
        family="gravel-14",
        age_years=8,
        readings=tuple(readings),
        topups=(charge,),
        usage=(plan,),
        outcomes=(),
    )


@pytest.mark.parametrize(("after_v", "short"), [(13.1, False), (12.85, True), (12.7, True)])
def test_it_is_that_of_a_plan_for_the_same_block(after_v, short):
    """The unit's page had a block "still short by about 0.9 Ah" for which the plan found nothing to put in."""
    history = car(after_v)
    if after_v < 12.8:  # hardly any rise is looked at first; then it is the reading that tells
        last = history.readings[-1]
        measured = last.model_copy(update={"time": last.time + timedelta(hours=9), "inspected": "cells"})
        history = history.model_copy(update={"readings": (*history.readings, measured)})
    told = missing_when_last_read(history, FAMILY, 5)
    assert told is not None
    plan = plan_topup(history, FAMILY, block=5)
    assert told.missing_ah == plan.missing.missing_ah
    assert worth_putting_in(FAMILY, told) == short == (plan.charge is not None)


@pytest.mark.parametrize(("seventh_v", "block"), [(12.87, 5), (12.3, 7)])
def test_a_plan_is_for_the_block_that_is_told_to_be_short_or_says_why_not(seventh_v, block):
    """The unit's page said that block 5 is still short, its plan that topping up block 8 is most likely pointless."""
    history = car(12.84, charge_ah=0.4)
    first, last = history.readings[0], history.readings[-1]
    low = first.model_copy(update={"block_v": (*BEFORE[:4], 12.4, *BEFORE[5:])})
    rest = last.model_copy(update={"block_v": (*last.block_v[:6], seventh_v, *last.block_v[7:])})
    load = last.model_copy(
        update={
            "time": last.time + timedelta(minutes=30),
            "state": "discharge",
            "current_a": 18.8,
            "block_v": (*LOAD[:4], 11.0, *LOAD[5:7], 10.9, *LOAD[8:]),
        }
    )
    history = history.model_copy(update={"readings": (low, history.readings[1], rest, load)})
    told = missing_when_last_read(history, FAMILY, 5)
    assert told is not None
    assert worth_putting_in(FAMILY, told), "the page says that it is still short"
    plan = plan_topup(history, FAMILY)
    assert plan.block == block
    said = plan.sentences[0].lower()
    assert "block 5, which was charged last" in said
    assert said.endswith(f"this plan is for block {block}.")
    assert plan.missing.block == block


def test_looking_back_on_the_charge_tells_it_too():
    """With a third as much put in, the page of the plan had 0.6 Ah missing below and 0.1 Ah above."""
    for history in (car(), car(charge_ah=0.4), car(after_v=12.85)):
        told = missing_when_last_read(history, FAMILY, 5)
        assert told is not None
        assert compare_topup(history, FAMILY).still_missing_ah == told.missing_ah
    unread = car(after_v=None)
    assert missing_when_last_read(unread, FAMILY, 5) is None
    assert compare_topup(unread, FAMILY).still_missing_ah is not None


def test_nothing_is_told_before_a_reading_after_the_charge_or_of_lithium_ion_cells():
    history = car()
    assert missing_when_last_read(history, FAMILY, 5, READ + timedelta(hours=7)) is None
    lithium = next(family for family in load_families().values() if family.chemistry == "lithium-ion")
    volts = tuple([3.7 * lithium.cells_per_block] * lithium.blocks)
    read = tuple(BlockReading(time=READ + timedelta(hours=h), state="rest", block_v=volts) for h in (0, 20))
    charge = TopUp(time=READ + timedelta(hours=5), blocks=(5,), charge_ah=1.1)
    other = history.model_copy(update={"family": lithium.name, "readings": read, "topups": (charge,)})
    assert missing_when_last_read(other, lithium, 5) is None
