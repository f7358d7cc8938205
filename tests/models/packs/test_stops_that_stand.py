"""What was done to a block stands until somebody has looked, or its module was swapped."""

from datetime import UTC, datetime, timedelta

import pytest

from models.packs.history import BlockReading, Outcome, PackHistory, TopUp
from models.packs.screens import screened
from models.packs.stops import Stopped, stops_of
from models.packs.stops.known import LOOK_AFTER
from models.packs.tables import tables_from_histories
from models.topup.plan import plan_topup
from training.files.families import load_families

FAMILIES = load_families()
FAMILY = FAMILIES["gravel-14"]
"""Blocks of 10 cells, 5.5 Ah."""

START = datetime(2026, 3, 2, 12, tzinfo=UTC)
LEVEL_V = FAMILY.cells_per_block * 1.3


def at(days: float) -> datetime:
    return START + timedelta(days=days)


def rest(days: float, off: float = 0.0, **more) -> BlockReading:
    volts = [LEVEL_V] * FAMILY.blocks
    volts[4] += off
    return BlockReading(time=at(days), state="rest", block_v=tuple(volts), **{"temperature_c": 17, **more})


def load(days: float, weak_v: float, peers_v: float = 11.2) -> BlockReading:
    volts = [peers_v] * FAMILY.blocks
    volts[4] = weak_v
    return BlockReading(time=at(days), state="discharge", current_a=15, temperature_c=17, block_v=tuple(volts))


def charge(days: float, ah: float = 1.0, **more) -> TopUp:
    return TopUp(time=at(days), blocks=(5,), charge_ah=ah, **more)


def returned(days: float) -> Outcome:
    return Outcome(time=at(days), kind="returned")


def pack(*facts) -> PackHistory:
    parts = {
        name: tuple(sorted((f for f in facts if isinstance(f, kind)), key=lambda f: f.time))
        for name, kind in (("readings", BlockReading), ("topups", TopUp), ("outcomes", Outcome))
    }
    return PackHistory(pack_id="MB-VAN-07", family=FAMILY.name, **parts)


def codes(*facts) -> list[str]:
    history = pack(*facts)
    found = [stop.code for stop in stops_of(history, FAMILY)]
    tables = tables_from_histories([history], FAMILIES)
    assert screened(tables, tables).held_up.all() or not found, "the columns hold up every pack that is stopped"
    return found


DONE = {
    "overfilled": (charge(0, 6.0),),
    "was-hot": (charge(0), rest(0.5, temperature_c=61)),
    "over-voltage": (charge(0, end_v=15.4),),
    "charged-hot": (charge(0), rest(-0.01, temperature_c=48)),
    "charged-cold": (charge(0), rest(-0.01, temperature_c=-6)),
    "below-floor": (rest(-0.1, -3.5), charge(0)),
    "cell-down": (rest(-0.1, -2.6), charge(0)),
    "no-volts": (rest(-0.1, -LEVEL_V), charge(0)),
    "reversed": (rest(-0.1, -LEVEL_V - 1), charge(0)),
    "collapsed": (rest(-0.11, -0.2), load(-0.1, 5.0), charge(0)),
}
"""What was done to block 5 on the first day, by the stop that it is."""

READ_OFF_VOLTS = ("no-volts", "reversed", "below-floor", "cell-down", "collapsed")
"""Those that only its volts show."""


@pytest.mark.parametrize("code", DONE)
def test_it_stands_after_the_return_and_the_next_charges(code):
    done = DONE[code]
    assert code in codes(*done, rest(1.0))
    assert code in codes(*done, rest(0.6), returned(1.0))
    again = (*done, rest(0.6), returned(1.0), charge(1.1, 0.5), rest(1.6), returned(5), charge(5.1, 0.5), rest(5.6))
    assert code in codes(*again)


@pytest.mark.parametrize("code", DONE)
def test_a_look_the_next_day_ends_it_and_one_of_the_same_day_does_not(code):
    done, days = DONE[code], LOOK_AFTER / timedelta(days=1)
    seen = "cells" if code in READ_OFF_VOLTS else "sound"
    assert codes(*done, rest(0.5 + days + 0.1, inspected=seen)) == []
    assert code in codes(*done, rest(0.7, inspected=seen))
    assert code in codes(*done, rest(0.5 + days + 0.1))


@pytest.mark.parametrize("code", READ_OFF_VOLTS)
def test_a_look_for_swelling_tells_nothing_of_volts_and_a_measurement_of_the_cells_or_a_swap_does(code):
    """A block that fell to 3.0 V under load went back on the road because nothing swelled."""
    done = DONE[code]
    assert code in codes(*done, rest(3, inspected="sound"))
    assert codes(*done, rest(3, inspected="cells")) == []
    assert code in codes(*done, rest(3, inspected="cells"), *again(done, 4)), "it counts again"
    (found,) = [s for s in stops_of(pack(*done), FAMILY) if s.code == code]
    assert "its cells were measured" in found.instead


@pytest.mark.parametrize("volts", [0.0, 0.3])
@pytest.mark.parametrize("state", ["rest", "load"])
@pytest.mark.parametrize("family", ["gravel-14", "loess-28"])
def test_a_dead_block_stops_whatever_it_reads_later(volts, state, family):
    """At 1.0 V the stop stood, at 0.3 V it went with the next reading, and a charge was told."""
    of = FAMILIES[family]
    level = of.cells_per_block * of.curves.ocv_v[len(of.curves.ocv_v) // 2]

    def read(days, weak, state="rest"):
        block_v = tuple(weak if block == 8 else level for block in range(of.blocks))
        return BlockReading(time=at(days), state=state, current_a=15 * (state != "rest"), block_v=block_v)

    def found(*readings):
        return {s.code for s in stops_of(PackHistory(pack_id="V", family=family, readings=readings), of)}

    dead = read(0, min(volts, of.cells_per_block * 0.05), "rest" if state == "rest" else "discharge")
    assert "no-volts" in found(dead, read(1, level))
    assert "no-volts" in found(dead, read(1, level, "discharge"), read(40, level))
    assert "no-volts" not in found(read(0, level), read(1, level))
    measured = read(1, level).model_copy(update={"inspected": "cells"})
    assert "no-volts" not in found(dead, measured)


def again(facts, days):
    """What was read, read again so many days later."""
    return [f.model_copy(update={"time": f.time + timedelta(days=days)}) for f in facts if isinstance(f, BlockReading)]


@pytest.mark.parametrize("off", [-2.6, -1.08])
@pytest.mark.parametrize("hours", [2 / 60, 2, 30])
def test_a_cell_that_was_down_after_the_charge_is_not_undone_by_a_level_reading(off, hours):
    """Its other cells stand high just after a charge, so that a cell's worth shows as less."""
    down = (rest(-0.1, -0.2), charge(0), rest(0.7, off))
    later = 0.7 + hours / 24
    assert codes(*down) == ["cell-down"]
    assert codes(*down, rest(later)) == ["cell-down"]
    if hours < LOOK_AFTER / timedelta(hours=1):
        assert codes(*down, rest(later, inspected="cells")) == ["cell-down"]
        (found,) = stops_of(pack(*down, rest(later, inspected="cells")), FAMILY)
        assert "does not count" in found.text
    assert codes(*down, rest(0.7 + LOOK_AFTER / timedelta(days=1), inspected="cells")) == []
    assert codes(*down, charge(3, 0.5, also_done="module-swapped"), rest(4)) == []


def test_a_block_that_read_nothing_is_not_told_as_a_cell_down_as_well():
    assert codes(charge(0), rest(0.7, -LEVEL_V), rest(0.8)) == ["no-volts"]


@pytest.mark.parametrize("code", [code for code in DONE if not code.startswith(("charged", "was"))])
def test_a_module_that_was_swapped_ends_what_was_done_to_its_block(code):
    swapped = {"also_done": "module-swapped"}
    assert codes(*DONE[code], returned(1), charge(1.1, 0.5, **swapped), rest(3.0)) == []
    other = TopUp(time=at(1.1), blocks=(6,), charge_ah=0.5, **swapped)
    assert code in codes(*DONE[code], returned(1), other)


@pytest.mark.parametrize("days", [0, 6 / 1440, 2, 30])
def test_damage_that_was_seen_is_not_undone_by_a_later_look(days):
    assert codes(charge(0), rest(1, inspected="damaged"), rest(2)) == ["damaged"]
    assert codes(charge(0), rest(1, inspected="damaged"), rest(1 + days, inspected="sound")) == ["damaged"]
    assert codes(charge(0), rest(1, inspected="sound"), rest(1, inspected="damaged")) == ["damaged"], "a tie"


def test_damage_stands_until_a_module_was_swapped_and_a_look_after_that_finds_none():
    swapped = (charge(0), rest(1, inspected="damaged"), charge(2, 0.5, also_done="module-swapped"))
    assert codes(*swapped) == ["damaged"], "nobody looked since"
    assert codes(*swapped, rest(3, inspected="sound")) == []
    assert codes(*swapped, rest(3, inspected="sound"), rest(4, inspected="damaged")) == ["damaged"]
    assert codes(*swapped, rest(2, inspected="damaged"), rest(3, inspected="sound")) == ["damaged"], "in its minute"


@pytest.mark.parametrize("volts", [0.6, 2.0, 5.0, 7.9])
def test_a_block_dead_under_load_ends_the_job(volts):
    """Common practice, no source: cells that are driven empty under load reverse, and a charge mends none of them."""
    assert codes(rest(0, -0.2), load(0.01, volts)) == ["collapsed"]
    with pytest.raises(Stopped):
        plan_topup(pack(rest(0, -0.2), load(0.01, volts)), FAMILY)


@pytest.mark.parametrize(("weak_v", "peers_v"), [(10.1, 11.2), (9.6, 11.2), (8.4, 11.2), (8.0, 9.0), (7.4, 9.0)])
def test_a_weak_block_one_reversed_cell_or_a_pack_that_sags_as_a_whole_is_no_collapse(weak_v, peers_v):
    assert codes(rest(0, -0.2), load(0.01, weak_v, peers_v)) == []


def test_what_happens_after_a_look_counts_again():
    looked = (charge(0, 6.0), rest(2, inspected="sound"))
    assert codes(*looked) == []
    assert codes(*looked, returned(3), charge(3.1, 6.0)) == ["overfilled"]
    assert codes(*looked, rest(4, temperature_c=61), rest(5)) == ["was-hot"]


@pytest.mark.parametrize("hours", [19, 20, 21, 22, 23, 30])
def test_twice_four_ampere_hours_within_a_day_is_more_than_a_block_holds(hours):
    """Nothing was driven or read between: a fifth is the most that leaks away in a day (`FIRST_DAY_SHARE`)."""
    assert "overfilled" in codes(charge(0, 4.0), charge(hours / 24, 4.0))


def test_what_was_driven_read_and_waited_between_counts():
    assert codes(charge(0, 4.0), charge(10, 4.0)) == [], "ten days of a leaking block"
    assert codes(charge(0, 2.5), charge(0.9, 2.5)) == [], "together less than it holds"
    low = rest(0.8, -1.0)
    assert "overfilled" not in codes(charge(0, 4.0), low, charge(0.9, 4.0)), "the block reads nearly empty"
    level = rest(0.8, 0.3)
    assert "overfilled" in codes(charge(0, 4.0), level, charge(0.9, 4.0))
    assert codes(charge(0, 3.0), returned(0.8), charge(0.9, 3.0)) == [], "driven through the controller's window"
    assert "overfilled" in codes(charge(0, 5.0), returned(0.8), charge(0.9, 5.0)), "no drive takes that much out"
    running = Outcome(time=at(0.85), kind="running")
    assert "overfilled" in codes(charge(0, 4.0), running, charge(0.9, 4.0)), "noted so that the charge can be entered"
    warm = rest(0.5, temperature_c=40)
    assert codes(charge(0, 3.5), warm, charge(0.9, 3.5)) == [], "three times as fast at 40 °C"


def test_a_stop_says_when():
    for code in ("overfilled", "was-hot", "charged-hot", "over-voltage"):
        text = next(s.text for s in stops_of(pack(*DONE[code], rest(3)), FAMILY) if s.code == code)
        assert "2026-03-0" in text, text
    hot = stops_of(pack(charge(0), rest(1, temperature_c=60)), FAMILY)[0]
    assert "60 °C, on 2026-03-03 12:00" in hot.text
    assert "past 60" not in hot.text


def cold(days: float, c: float = -5.0, **more) -> BlockReading:
    return rest(days, temperature_c=c, **more)


H = 1 / 24


@pytest.mark.parametrize("hours", [3, 5, 12, 23])
@pytest.mark.parametrize("how", [{}, {"duration_h": 0.5}, {"charge_ah": None}])
def test_a_pack_read_in_the_frost_hours_before_its_charge_was_charged_cold_unless_it_was_read_warm(hours, how):
    made = charge(0).model_copy(update=how)
    begun = how.get("duration_h", 0.0)
    before = cold(-(hours + begun) * H)
    unread = rest(1, temperature_c=None)
    assert codes(before, made, unread) == ["charged-cold"]
    assert codes(before, made, rest(0.5)) == ["charged-cold"], "warm half a day later says nothing of the charge"
    assert codes(before, rest(-begun * H - 0.1 * H, temperature_c=15), made, unread) == []
    assert codes(before, made, rest(2, inspected="sound")) == []
    text = stops_of(pack(before, made, unread), FAMILY)[0].text
    assert "hour" in text
    assert "-5 °C" in text


def test_frost_of_days_before_or_the_next_morning_is_not_that_of_the_charge():
    assert codes(cold(-1.5), charge(0), rest(1)) == []
    assert codes(rest(-0.1, temperature_c=15), charge(0), cold(0.7)) == []


def test_a_charge_without_a_duration_is_taken_to_have_been_gentle():
    """Common practice, no source: a tenth of the rated current. 2.2 Ah of 5.5 Ah rated then took four hours."""
    assert codes(cold(-3 * H), rest(-0.1 * H), charge(0, 2.2), rest(1)) == ["charged-cold"]
    assert codes(cold(-3 * H), rest(-1.0 * H), charge(0, 2.2, duration_h=0.5), rest(1)) == []
    assert codes(rest(-3 * H, temperature_c=48), charge(0, 2.2), rest(1)) == ["charged-hot"]


@pytest.mark.parametrize("ambient", [None, 20.0])
@pytest.mark.parametrize("newest", [(), (rest(0.05, temperature_c=None),)])
def test_a_warm_room_does_not_warm_a_pack_that_was_read_in_the_frost_today(ambient, newest):
    found = stops_of(pack(cold(0, -10.0, inspected="label"), *newest), FAMILY, ambient_c=ambient, charging=True)
    assert [stop.code for stop in found] == ["too-cold"]
    assert "-10 °C" in found[0].text
    warm = rest(0.1, temperature_c=12)
    assert (
        stops_of(pack(cold(0, -10.0, inspected="label"), *newest, warm), FAMILY, ambient_c=ambient, charging=True) == ()
    )
    later = rest(9, temperature_c=None)
    assert stops_of(pack(cold(0, -10.0, inspected="label"), later), FAMILY, ambient_c=15, charging=True) == ()


@pytest.mark.parametrize("code", [code for code in DONE if code != "cell-down"])
def test_a_look_that_came_too_early_is_named_with_the_hour_from_which_one_counts(code):
    done, seen = DONE[code], "cells" if code in READ_OFF_VOLTS else "sound"
    (found,) = [s for s in stops_of(pack(*done, rest(0.7, inspected=seen)), FAMILY) if s.code == code]
    moments = [fact.time for fact in done]
    counts = next(m for m in sorted(moments) if f"{m + LOOK_AFTER:%Y-%m-%d %H:%M}" in found.text) + LOOK_AFTER
    assert f"The look noted on {at(0.7):%Y-%m-%d %H:%M}" in found.text
    assert "does not count" in found.text
    assert f"It takes another look, not before {counts:%Y-%m-%d %H:%M}" in found.text, "said of an hour long past, too"
    again = (rest(0.7, inspected=seen), rest((counts - START) / timedelta(days=1), inspected=seen))
    assert codes(*done, *again) == [], "from that moment on it counts"


def test_a_look_from_before_it_happened_is_no_early_look():
    (found,) = stops_of(pack(rest(-1, inspected="sound"), *DONE["overfilled"], rest(1)), FAMILY)
    assert "does not count" not in found.text
    (found,) = stops_of(pack(charge(0), rest(1, inspected="damaged"), rest(3, inspected="sound")), FAMILY)
    assert "does not count" not in found.text, "a look lifts no damage, at whatever hour"


def wrongly(days: float, block: int, ah: float = 0.5) -> TopUp:
    return TopUp(time=at(days), blocks=(block,), charge_ah=ah)


def test_a_wrong_block_stands_after_the_right_one_was_charged():
    low, still = rest(-0.1, -0.4), rest(0.1, -0.4)
    first = (low, wrongly(0, 8), still)
    assert codes(*first) == ["wrong-block"]
    mended = (*first, wrongly(0.3, 5), rest(0.4, 0.0))
    assert codes(*mended) == ["wrong-block"]
    assert codes(*mended, rest(2, inspected="sound")) == ["wrong-block"], "a look tells nothing of crossed leads"
    assert codes(*mended, rest(2, inspected="cells")) == []
    assert codes(*mended, returned(9), wrongly(9.5, 5), rest(10)) == [], "it was driven on until the fault was back"
    assert "2026-03-02" in stops_of(pack(*mended), FAMILY)[0].text
    (stop,) = stops_of(pack(*first), FAMILY)
    assert "or the fault has come back" in stop.instead
    assert codes(*first, returned(5)) == [], "as the stop itself says"


def test_two_blocks_of_one_visit_noted_as_a_charge_each_are_no_wrong_block():
    low = rest(-0.1, -0.4)
    slightly = low.model_copy(update={"block_v": (*low.block_v[:7], LEVEL_V - 0.15, *low.block_v[8:])})
    assert codes(slightly, wrongly(0, 8), wrongly(0.05, 5), rest(0.2)) == []
    assert codes(slightly, wrongly(0, 5), wrongly(0.05, 8), rest(0.2)) == []
