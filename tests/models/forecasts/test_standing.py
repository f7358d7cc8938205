"""What was read of a block, or done to it, warns until somebody saw to it, whatever is recorded later."""

from datetime import UTC, datetime, timedelta

import pytest

from models.forecasts.charge_warnings import charge_warnings
from models.packs.history import BlockReading, Outcome, PackHistory, TopUp
from training.files.families import load_families

FAMILIES = load_families()
START = datetime(2026, 3, 2, 12, tzinfo=UTC)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def codes(*facts, family="gravel-14") -> set[str]:
    parts = {
        name: tuple(sorted((f for f in facts if isinstance(f, kind)), key=lambda f: f.time))
        for name, kind in (("readings", BlockReading), ("topups", TopUp), ("outcomes", Outcome))
    }
    history = PackHistory(pack_id="MB-VAN-07", family=family, **parts)
    return {flag.code for flag in charge_warnings(history, FAMILIES[family]) if flag.grave}


def read(hours: float, weak: float, peers: float = 12.87, state="rest", blocks=14, **more) -> BlockReading:
    volts = tuple(weak if block == 4 else peers for block in range(blocks))
    current = {"current_a": 18.8} if state == "discharge" else {}
    return BlockReading(time=at(hours), state=state, block_v=volts, **{"temperature_c": 17, **current, **more})


def charge(hours: float, ah: float | None = 1.1, **more) -> TopUp:
    return TopUp(
        time=at(hours), charge_ah=ah, **{"blocks": (5,), "duration_h": None if ah is None else 11 * ah, **more}
    )


@pytest.mark.parametrize(
    ("hours", "volts", "warned"),
    [(17, 13.21, False), (17, 13.86, False), (17, 13.9, True), (17, 14.9, True), (60, 13.4, False), (60, 13.5, True)],
)
def test_a_topped_block_that_rests_far_above_its_peers_is_overcharged_or_misread(hours, volts, warned):
    """14.9 V, 1.49 V a cell, was called "about level" and might go.

    Limit: the family's own (0.6 V, invented), and for a day and a half its hysteresis besides (10 cells of 40 mV)."""
    facts = (read(-5, 12.82, 13.0), charge(0), read(hours, volts))
    assert ("block-high" in codes(*facts)) == warned
    later = (*facts, read(hours + 30, 12.9))
    assert ("block-high" in codes(*later)) == warned, "a better reading later undoes nothing"
    looked = read(hours + 30, 12.9, inspected="sound")
    assert ("block-high" in codes(*facts, looked)) == warned, "a look shows no volts"
    assert "block-high" not in codes(*facts, read(hours + 30, 12.9, inspected="cells"))
    assert "block-high" not in codes(
        *facts, charge(hours + 1, None, also_done="module-swapped"), read(hours + 30, 12.9)
    )


@pytest.mark.parametrize(("volts", "warned"), [(12.95, False), (13.4, False), (13.5, True), (14.3, True)])
@pytest.mark.parametrize("hours", [-4, 17, 60])
def test_a_block_that_nobody_noted_as_charged_and_that_rests_high_is_as_grave(hours, volts, warned):
    """At 14.3 V beside peers of 12.95 V it might go. Limit: the family's own (0.6 V, invented)."""
    facts = (read(-5, 12.82, 13.0), charge(0, blocks=(6,)), read(hours, volts))
    assert ("block-high" in codes(*facts)) == warned
    assert ("block-high" in codes(*facts, read(hours + 30, 12.9))) == warned, "a better reading later undoes nothing"
    looked = read(hours + 30, 12.9, inspected="sound")
    assert ("block-high" in codes(*facts, looked)) == warned, "a look shows no volts"
    assert "block-high" not in codes(*facts, read(hours + 30, 12.9, inspected="cells"))
    for block, ends in ((5, True), (9, False)):
        swap = charge(hours + 30, None, also_done="module-swapped", blocks=(block,))
        assert ("block-high" in codes(*facts, swap)) == (warned and not ends)


def split(hours: float, high: int, low_v: float, high_v: float, state="rest") -> BlockReading:
    """The first blocks high, the others low."""
    volts = (high_v,) * high + (low_v,) * (14 - high)
    return BlockReading(time=at(hours), state=state, current_a=15.0 * (state == "discharge"), block_v=volts)


@pytest.mark.parametrize("high", range(1, 14))
@pytest.mark.parametrize(
    ("state", "low_v", "high_v"),
    [("rest", 11.7, 12.95), ("rest", 12.3, 12.95), ("discharge", 10.1, 11.3), ("charge", 13.0, 14.2)],
)
@pytest.mark.parametrize("blocks", [(1,), (5,), (14,)])
def test_however_many_blocks_are_down_somebody_says_so(high, state, low_v, high_v, blocks):
    """Eight of 14 blocks 1.25 V down might go for two days, for the median was one of theirs."""
    found = codes(read(-5, 12.82, 13.0), charge(0, blocks=blocks), split(60, high, low_v, high_v, state))
    named = {"other-block-down", "charged-block-down", *({"block-high"} if state == "rest" else ())}
    if high >= 4 or state == "rest":
        assert found & named
    assert ("other-block-down" in found) == (high >= 4 and not (high == 13 and blocks == (14,)))


@pytest.mark.parametrize("high", range(1, 14))
def test_blocks_that_lie_apart_by_less_than_the_limit_warn_of_nothing(high):
    found = codes(read(-5, 12.82, 13.0), charge(0), split(60, high, 12.5, 12.95))
    assert not found & {"other-block-down", "charged-block-down", "block-high"}


@pytest.mark.parametrize("hours", [-4, 18])
@pytest.mark.parametrize(("volts", "warned"), [(10.8, False), (9.2, False), (9.1, True), (9.0, True)])
def test_a_block_that_load_drives_below_its_floor_warns_before_the_charge_and_after(hours, volts, warned):
    """At 9.0 V the forecast was better than at 10.8 V.

    Floor: 1.0 V a cell, NREL ADVISOR ESS_NIMH6; less what 18.8 A take from ten new cells of 4.5 mΩ, its curve's.
    """
    load = read(hours, volts, 11.2, state="discharge")
    facts = (read(-5, 12.82, 13.0), load, charge(0), read(17, 13.21))
    assert ("low-under-load" in codes(*facts)) == warned
    assert ("low-under-load" in codes(*facts, read(60, 13.0, inspected="sound"))) == warned, "a look tells no volts"
    assert "low-under-load" not in codes(*facts, read(60, 13.0, inspected="cells"))
    swap = charge(30, None, also_done="module-swapped")
    assert "low-under-load" not in codes(*facts, swap, read(60, 13.0))
    other = charge(30, None, also_done="module-swapped", blocks=(9,))
    assert ("low-under-load" in codes(*facts, other, read(60, 13.0))) == warned


def test_a_lithium_ion_block_that_was_charged_by_hand_is_grave():
    """At 8.3 V, 4.15 V a cell beside peers of 3.69 V, it might go. Common practice, no source."""
    lithium = {"peers": 7.38, "blocks": 28}
    facts = (read(-5, 7.1, 7.4, blocks=28), charge(0, duration_h=4), read(17, 7.4, **lithium))
    assert "lithium-charged" in codes(*facts, family="loess-28")
    assert {"lithium-charged", "block-high"} <= codes(*facts, read(18, 8.3, **lithium), family="loess-28")
    assert "lithium-charged" in codes(*facts, read(60, 7.4, **lithium, inspected="sound"), family="loess-28")
    assert "lithium-charged" not in codes(*facts, read(60, 7.4, **lithium, inspected="cells"), family="loess-28")
    swap = charge(0, None, also_done="module-swapped")
    assert codes(read(-5, 7.4, **lithium), swap, read(17, 7.4, **lithium), family="loess-28") == set()


BEFORE, AFTER = read(-5, 12.82, 13.0), read(17, 13.21)
HARMED = {
    "fast-charge": (BEFORE, charge(0, duration_h=0.1), AFTER),
    "overcharge": (BEFORE, charge(0, 3, duration_h=6), AFTER),
    "charged-again": (BEFORE, charge(-3), charge(0), AFTER),
    "warm-pack": (BEFORE, charge(0), read(17, 13.21, temperature_c=52)),
}


@pytest.mark.parametrize("code", HARMED)
@pytest.mark.parametrize("kind", ["returned", "running"])
@pytest.mark.parametrize("next_one", [{}, {"charge_ah": None, "blocks": (9,), "also_done": "module-swapped"}])
def test_what_a_charge_may_have_done_stands_after_the_next_one(code, kind, next_one):
    """After a return, or "still running", and a new charge, or a module of another block, nothing was left of it."""
    facts = HARMED[code]
    assert code in codes(*facts)
    ah = {"ah": next_one.get("charge_ah", 0.5), "duration_h": None if next_one else 5}
    more = {name: value for name, value in next_one.items() if name != "charge_ah"}
    later = (Outcome(time=at(240), kind=kind), read(250, 12.65), charge(260, **ah, **more), read(275, 13.0))
    assert code in codes(*facts, *later)
    third = (Outcome(time=at(440), kind=kind), read(450, 12.65), charge(460, 0.5, duration_h=5), read(475, 13.0))
    assert code in codes(*facts, *later, *third)
    assert code not in codes(*facts, read(100, 12.9, inspected="sound"), *later)
    assert code not in codes(*facts, *later, read(300, 12.9, inspected="sound"))
    swap = charge(470, None, also_done="module-swapped")
    assert (code in codes(*facts, *later, swap)) == (code == "warm-pack"), "what was swapped was not all that was hot"


def test_a_charged_block_above_many_that_are_down_is_not_called_overcharged():
    """With most blocks down it was told that the level one had been overcharged."""
    volts = tuple(12.95 if block < 5 else 11.6 for block in range(14))
    low = BlockReading(time=at(60), state="rest", current_a=0.0, block_v=volts)
    history = PackHistory(
        pack_id="MB-VAN-07", family="gravel-14", readings=(read(-5, 12.82, 13.0), low), topups=(charge(0),)
    )
    (flag,) = [flag for flag in charge_warnings(history, FAMILIES["gravel-14"]) if flag.code == "block-high"]
    assert flag.grave
    assert "most of the others are down" in flag.text
    assert "overcharged" not in flag.text
