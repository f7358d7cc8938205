"""Stops from facts of earlier than the newest reading."""

import sys
from datetime import UTC, datetime, timedelta
from types import FrameType

import numpy as np
import pytest

from models.packs.contradictions import without_contradictions
from models.packs.history import BlockReading, PackHistory, TopUp
from models.packs.stops import STOPS, stops_of
from models.packs.stops.known import others_v, rest_window_v
from training.files.families import load_families

FAMILY = load_families()["gravel-14"]
CHARGED = datetime(2026, 3, 2, 12, tzinfo=UTC)


def pack(before_v: float, after_v: float = 0.0, days_before: float = 0.1) -> PackHistory:
    """A pack whose block 5 rested so far off its peers before and after the newest charge."""
    level = FAMILY.cells_per_block * 1.3

    def rest(at: datetime, off: float) -> BlockReading:
        volts = [level] * FAMILY.blocks
        volts[4] += off
        return BlockReading(time=at, state="rest", current_a=0, temperature_c=20, block_v=tuple(volts))

    readings = (rest(CHARGED - timedelta(days=days_before), before_v), rest(CHARGED + timedelta(hours=12), after_v))
    topups = tuple(TopUp(time=at, blocks=(5,), charge_ah=1.0) for at in (CHARGED - timedelta(days=20), CHARGED))
    return PackHistory(pack_id="MB-VAN-07", family=FAMILY.name, readings=readings, topups=topups)


@pytest.mark.parametrize("off", [-1.4, -2.6, -4.0])
def test_a_level_reading_after_the_charge_does_not_undo_a_cell_that_was_down_before_it(off):
    assert "cell-down" in [stop.code for stop in stops_of(pack(off), FAMILY)]


def test_a_block_that_only_fell_behind_before_its_charge_is_no_stop():
    assert stops_of(pack(-0.5), FAMILY) == ()


def test_what_was_read_before_an_earlier_charge_stands_whatever_is_read_later():
    early = pack(-2.6, days_before=25)
    assert [stop.code for stop in stops_of(early, FAMILY)] == ["cell-down"]
    level = pack(0.0, days_before=15).readings[0]
    between = early.model_copy(update={"readings": (early.readings[0], level, early.readings[1])})
    (stop,) = stops_of(between, FAMILY)
    assert stop.code == "cell-down"
    assert "On 2026-02-05 block 5 rested 2.60 V below" in stop.text


@pytest.mark.parametrize("family", load_families().values(), ids=lambda family: family.name)
@pytest.mark.parametrize("state", ["rest", "discharge"])
@pytest.mark.parametrize("read", ["all", "two"])
@pytest.mark.parametrize("charged", [True, False])
def test_a_pack_that_reads_0_v_stops_for_its_volts_whatever_was_read_before(family, state, read, charged):
    """Peers at 0 V were divided by: the forecast failed, and so did the next reading of the pack."""
    count = family.blocks if read == "all" else 2
    nothing = tuple([0.0] * count + [None] * (family.blocks - count))
    level = (family.cells_per_block * family.curves.ocv_v[len(family.curves.ocv_v) // 2],) * family.blocks
    topups = (TopUp(time=CHARGED, blocks=(1,), charge_ah=0.5),) if charged else ()
    first = BlockReading(time=CHARGED - timedelta(hours=3), state="rest", block_v=nothing)

    def codes(*readings: BlockReading) -> list[str]:
        history = PackHistory(pack_id="MB-VAN-07", family=family.name, readings=readings, topups=topups)
        return [stop.code for stop in stops_of(history, family, charging=not charged)]

    assert "no-volts" in codes(first)
    assert "cell-down" not in codes(first)
    assert "no-volts" in codes(first, BlockReading(time=CHARGED + timedelta(hours=3), state=state, block_v=nothing))
    # What the others read before says nothing of a cell; whether it was the lead no later reading tells.
    back = codes(first, BlockReading(time=CHARGED + timedelta(hours=3), state="rest", block_v=level))
    assert "no-volts" in back
    assert "cell-down" not in back


def test_a_stop_by_a_reading_says_that_a_slip_of_the_meter_can_be_corrected():
    """Nothing told how a cell that only a slip had down is brought back but by a look at a pack that was sound."""
    by_code = {rule.code: rule for rule in STOPS}
    for code in ("reversed", "below-floor", "cell-down", "collapsed"):
        assert "If the meter slipped, correct that reading and say why" in by_code[code].instead
    assert "If the meter slipped, correct that entry and say why" in by_code["over-voltage"].instead


def test_what_is_asked_for_beside_a_reading_not_used_is_what_the_lead_asks_for():
    """The flag of a reading under charge asked for another one under charge, the lead for one under load."""
    volts = tuple([13.0] * FAMILY.blocks)
    rest = BlockReading(time=CHARGED, state="rest", block_v=volts)
    sunk = BlockReading(
        time=CHARGED + timedelta(hours=1), state="charge", current_a=-20, block_v=tuple([12.0] * FAMILY.blocks)
    )
    history = PackHistory(pack_id="MB-VAN-07", family=FAMILY.name, readings=(rest, sunk))
    (unused,) = without_contradictions(history, FAMILY)[1]
    assert unused.text.endswith("read all blocks again, at rest and under load.")


def test_each_block_is_held_against_the_median_of_the_others_in_one_reading_and_in_many():
    """Against numpy's own median of what is left, with gaps, ties, a single block and none."""
    rng = np.random.default_rng(3)
    many = np.where(rng.random((300, 9)) < 0.4, np.nan, rng.integers(0, 6, (300, 9)).astype(float))
    many[0], many[1, 1:] = np.nan, np.nan
    for row, told in zip(many, others_v(many), strict=True):
        left = [np.delete(row, block)[~np.isnan(np.delete(row, block))] for block in range(9)]
        np.testing.assert_array_equal(told, [np.median(others) if len(others) else np.nan for others in left])
        np.testing.assert_array_equal(told, others_v(row))


@pytest.mark.parametrize(("state", "volts"), [("rest", 0.0), ("discharge", 0.3)])
def test_a_block_of_one_cell_has_no_several_cells(state, volts):
    """It said that several of its cells are empty, or one of its 1 cells is shorted."""
    family = load_families()["chert-30"]
    level = {"rest": 1.29, "discharge": 1.1}[state]
    row = tuple(volts if block == 4 else level for block in range(family.blocks))
    current = 30.0 if state == "discharge" else 0.0
    reading = BlockReading(time=CHARGED, state=state, current_a=current, block_v=row)
    history = PackHistory(pack_id="MB-VAN-07", family=family.name, readings=(reading,))
    texts = {stop.code: stop.text for stop in stops_of(history, family)}
    told = texts["cell-down" if state == "rest" else "collapsed"]
    assert "its cell" in told
    assert "cells" not in told


def test_a_pack_that_is_read_every_day_is_not_looked_through_reading_by_reading():
    """Each check went through all readings by itself: a hundred calls a reading, at each thing that was recorded."""
    once = pack(-0.5)

    def calls(days: int) -> int:
        readings = tuple(
            once.readings[1].model_copy(update={"time": CHARGED + timedelta(days=1 + day), "state": state})
            for day in range(days)
            for state in ("rest", "discharge")
        )
        history = once.model_copy(update={"readings": (*once.readings, *readings)})
        count = 0

        def counted(_frame: FrameType, event: str, _argument: object) -> None:
            nonlocal count
            count += event in ("call", "c_call")

        sys.setprofile(counted)
        try:
            assert stops_of(history, FAMILY) == ()
        finally:
            sys.setprofile(None)
        return count

    assert (calls(210) - calls(10)) / 400 < 10


@pytest.mark.parametrize("cells", [2, 3, 6, 7, 10, 12, 14, 20])
@pytest.mark.parametrize("each_v", [3.0, 3.4, 3.8, 4.2])
def test_volts_of_lithium_cells_are_charged_by_no_plan_before_the_label_was_read(cells, each_v):
    """Four lithium cells of 3.8 V, named as twelve of nickel-metal hydride, were given a plan up to 18 V."""
    family = FAMILY.model_copy(update={"cells_per_block": cells})
    low, high = rest_window_v(family)
    for lithium in range(1, 20):
        if not low <= lithium * each_v <= high:
            continue
        volts = tuple([lithium * each_v] * 4 + [lithium * each_v - 0.02 * cells] + [lithium * each_v] * 9)
        rest = BlockReading(time=CHARGED, state="rest", block_v=volts)
        later = rest.model_copy(update={"time": CHARGED + timedelta(days=30)})

        def codes(*readings: BlockReading, charging: bool = True, family=family) -> list[str]:
            history = PackHistory(pack_id="MB-VAN-07", family=family.name, readings=readings)
            return [stop.code for stop in stops_of(history, family, charging=charging)]

        assert codes(rest) == ["label-unread"]
        assert codes(rest, charging=False) == []
        labelled = rest.model_copy(update={"inspected": "label"})
        assert codes(labelled) == []
        assert codes(labelled, later) == [], "a question once answered stays answered"
        assert codes(rest.model_copy(update={"inspected": "sound"})) == ["label-unread"], "a look is no label"


def test_a_pack_that_nobody_read_at_rest_is_charged_by_no_plan_before_the_label_was_read():
    volts = tuple([11.2] * 14)
    load = BlockReading(time=CHARGED, state="discharge", current_a=40, block_v=volts)
    history = PackHistory(pack_id="MB-VAN-07", family=FAMILY.name, readings=(load,))
    (stop,) = stops_of(history, FAMILY, charging=True)
    assert stop.code == "label-unread"
    assert "Nobody read the blocks at rest" in stop.text
