"""What bears on a block before a charge: found in one pass, however long the history."""

from __future__ import annotations

import time
from contextlib import suppress
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from models.base.errors import BadInput
from models.packs.history import BlockReading, Outcome, PackHistory, TopUp
from models.packs.stops import Stopped
from models.topup.evidence import bench_evidence, snapshot, weak_block_of
from models.topup.plan import plan_topup
from models.topup.reckoning import reckon
from training.files.families import load_families

FAMILY = load_families()["gravel-14"]
START = datetime(2024, 1, 1, tzinfo=UTC)


def history_of(readings: int, topups: int, rng: np.random.Generator) -> PackHistory:
    """Invented: readings and top-ups at random hours of two years, some at the same hour, some blocks not read."""
    when = [[START + timedelta(hours=int(h)) for h in np.sort(rng.integers(0, 17_000, n))] for n in (readings, topups)]
    volts = rng.normal(12.9, 0.03, (readings, FAMILY.blocks)).round(2)
    missing = rng.random(volts.shape) < 0.2
    return PackHistory(
        pack_id="A",
        family=FAMILY.name,
        readings=tuple(
            BlockReading(
                time=at, state="rest", block_v=tuple(None if gone else v for v, gone in zip(row, lost, strict=True))
            )
            for at, row, lost in zip(when[0], volts.tolist(), missing.tolist(), strict=True)
        ),
        topups=tuple(TopUp(time=at, blocks=(int(rng.integers(1, 4)),), charge_ah=1.0) for at in when[1]),
    )


@pytest.mark.parametrize("seed", range(8))
def test_property_a_charge_stands_between_the_nearest_readings_of_its_block(seed):
    rng = np.random.default_rng(seed)
    history = history_of(int(rng.integers(2, 60)), int(rng.integers(1, 12)), rng)
    at = START + timedelta(hours=int(rng.integers(4_000, 17_000)))
    found = bench_evidence(history, FAMILY, 2, at).earlier
    ends = [topup.time for topup in history.topups]
    mine = [topup for topup in history.topups if topup.time <= at and 2 in topup.blocks]
    assert [charge.topup for charge in found] == mine
    shots = [s for r in history.readings if r.time <= at and (s := snapshot(FAMILY, r, 2)) is not None]
    for charge in found:
        place = ends.index(charge.topup.time)
        earliest = ends[place - 1] if place else START
        latest = ends[place + 1] if place + 1 < len(ends) else datetime.max.replace(tzinfo=UTC)
        before = [s for s in shots if earliest <= s.time < charge.topup.time]
        after = [s for s in shots if charge.topup.time <= s.time < latest]
        assert charge.before == (before[-1] if before else None)
        assert charge.after == (after[0] if after else None)


@pytest.mark.parametrize(("readings", "topups"), [(400, 1_000), (20_000, 2), (4_000, 1_000)])
def test_a_long_history_takes_no_longer_than_its_length(readings, topups):
    history = history_of(readings, topups, np.random.default_rng(3))
    began = time.process_time()
    with suppress(BadInput):  # as blocks were left out at random
        weak_block_of(FAMILY, history.model_copy(update={"topups": ()}), history.readings[-1].time)
    bench_evidence(history, FAMILY, 2, history.last_fact_time)
    reckon(history, FAMILY, 2, history.last_fact_time)
    with suppress(Stopped):  # charged twice at random, or not risen
        plan_topup(history, FAMILY, block=2)
    # Before, the first took 27 s and the second 89 s; now each takes a few tenths.
    assert time.process_time() - began < 5


def read(hours: float, low: dict[int, float] | None = None, unread: tuple[int, ...] = ()) -> BlockReading:
    """Blocks at rest at 12.9 V, some lower, some not read."""
    volts = [None if b in unread else 12.9 + (low or {}).get(b, 0.0) for b in range(1, FAMILY.blocks + 1)]
    return BlockReading(
        time=START + timedelta(hours=hours), state="rest", temperature_c=20, inspected="label", block_v=tuple(volts)
    )


def pack(*readings: BlockReading, **more) -> PackHistory:
    return PackHistory(pack_id="A", family=FAMILY.name, readings=readings, **more)


LOW = {5: -0.4, 9: -0.05}
TOPPED = TopUp(time=START, blocks=(5,), charge_ah=1.0)


@pytest.mark.parametrize(
    ("history", "left_out"),
    [
        (pack(read(1, LOW), read(2, LOW, unread=(5,))), "Block 5 was not read"),
        (pack(read(2, LOW, unread=(5,)), topups=(TOPPED,)), "Block 5 was not read"),
        (pack(read(2, LOW, unread=(1, 2, 3, 4, 6))), "Blocks 1, 2, 3, 4, 6 were not read"),
    ],
    ids=["it lay lowest before", "it was charged last", "more than a third"],
)
def test_no_sound_block_is_picked_where_the_weak_one_may_not_have_been_read(history, left_out):
    with pytest.raises(BadInput, match=left_out):
        plan_topup(history, FAMILY)
    assert plan_topup(history, FAMILY, block=9).block == 9, "named"


def test_a_sound_block_that_was_not_read_holds_nothing_up():
    assert plan_topup(pack(read(1, LOW), read(2, LOW, unread=(3,))), FAMILY).block == 5
    assert plan_topup(pack(read(2, LOW, unread=(1, 2, 3, 4))), FAMILY).block == 5


@pytest.mark.parametrize("block", [None, 5])
def test_once_the_fault_is_back_the_pack_is_read_again_before_a_plan(block):
    back = Outcome(time=START + timedelta(hours=40), kind="returned")
    told = {"topups": (TOPPED,), "outcomes": (back,)}
    before = read(20, LOW)
    for at in (None, back.time, back.time + timedelta(hours=3)):
        with pytest.raises(BadInput, match="before the fault came back on 2024-01-02 16:00"):
            plan_topup(pack(before, **told), FAMILY, block=block, at=at)
    assert plan_topup(pack(before, **told), FAMILY, block=block, at=before.time).block == 5, "it was not back then"
    for hours in (39, 41):
        assert plan_topup(pack(before, read(hours, LOW), **told), FAMILY, block=block).block == 5


def test_a_rest_of_before_the_return_is_not_that_of_the_pack_that_came_back():
    back = Outcome(time=START + timedelta(hours=40), kind="returned")
    load = read(41, LOW).model_copy(update={"state": "discharge", "current_a": 15.0})
    history = pack(read(20, LOW), load, topups=(TOPPED,), outcomes=(back,))
    assert bench_evidence(history, FAMILY, 5, load.time).rest is None
    assert "no-rest-reading" in {concern.code for concern in plan_topup(history, FAMILY).concerns}


def test_no_amount_is_told_of_a_pack_that_nobody_read_since_its_charge():
    """It said "do not put it in again", and then how much to put in, at what current and for how long."""
    volts = (13.0,) * 4 + (12.82,) + (13.0,) * 9
    before = BlockReading(time=START, state="rest", inspected="label", block_v=volts)
    charged = TopUp(time=START + timedelta(hours=2), blocks=(5,), charge_ah=1.1, duration_h=2.0)
    after = BlockReading(time=START + timedelta(hours=5), state="rest", block_v=(*volts[:4], 13.1, *volts[5:]))
    history = PackHistory(pack_id="A", family=FAMILY.name, readings=(before,), topups=(charged,))
    for at in (None, START + timedelta(hours=20)):
        with pytest.raises(Stopped) as told:
            plan_topup(history, FAMILY, at=at)
        assert [(stop.code, stop.ends) for stop in told.value.stops] == [("unread-since-charge", "charging")]
    assert plan_topup(history, FAMILY, at=START).charge is not None, "as it was asked before the charge"
    load = after.model_copy(update={"state": "discharge", "current_a": 18.0, "time": START + timedelta(hours=4)})
    with pytest.raises(Stopped):
        plan_topup(history.model_copy(update={"readings": (before, load)}), FAMILY)
    assert plan_topup(history.model_copy(update={"readings": (before, after)}), FAMILY, block=5).block == 5
