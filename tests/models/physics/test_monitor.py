"""The imbalance monitor against the two-trip rule of 13 CCR §1968.2(d)(2.2.1) to (2.2.3), and its spread."""

from dataclasses import replace

import numpy as np
import pytest

from models.physics.block_voltage import block_voltage_v
from models.physics.cell_curves import CurveLookup
from models.physics.driving import MAX_TRIPS, day_use
from models.physics.monitor import (
    LIMP_HOME_RATIO,
    SEVERITIES,
    MonitorDraws,
    critical_severity,
    draw_monitor,
    hardest_trip,
    monitor_day,
    spread_ratio,
)
from models.physics.pack_state import MONITOR_RUNS, PackState
from training.files.families import load_families

FAMILIES = load_families()
FAMILY = FAMILIES["marl-28"]
LOOKUP = CurveLookup.of(FAMILY.curves)


def _trips(*kinds, pending=False, found_at=1.0, **rules):
    """Run one pack through trips: 'd' detects, 'c' is clean, '-' is not monitored; return what happened."""
    # The spread reaches its limit at severity 1 exactly, and twice the limit far beyond any trip.
    ratio = np.array([[0.9], [found_at], [1.1]], dtype=np.float32)
    z = np.zeros((1, MAX_TRIPS), dtype=np.float32)
    runs = np.zeros((1, MAX_TRIPS), dtype=np.float32)
    for trip, kind in enumerate(kinds):
        z[0, trip] = {"d": 1.0, "c": -1.0, "-": 1.0}[kind]
        runs[0, trip] = 1.0 if kind == "-" else 0.0
    state = PackState.alike(FAMILY, 1)
    state.pending[:] = pending
    for name, value in rules.items():
        getattr(state, name)[:] = value
    confirmed, share = monitor_day(state, ratio, _trips_of(len(kinds)), MonitorDraws(z, runs))
    return bool(confirmed[0]), bool(state.pending[0]), float(share[0])


def _trips_of(count):
    one = np.ones(1, dtype=np.float32)
    return replace(day_use(FAMILY, 40 * one, np.array([2]), 20 * one, one, 0 * one), trips=np.array([count]))


@pytest.mark.parametrize(
    ("trips", "before", "confirmed", "after"),
    [
        ("d", False, False, True),  # a first detection is pending
        ("dd", False, True, None),  # a second in the next cycle confirms
        ("d", True, True, None),  # also on the next day
        ("dc", False, False, False),  # a clean monitored cycle erases
        ("dcd", False, False, True),  # so that the count begins anew
        ("d-d", False, True, None),  # a cycle without monitoring changes nothing
        ("-", True, False, True),
        ("c", True, False, False),
        ("--", False, False, False),
        ("", True, False, True),  # a day without a trip neither
    ],
)
def test_reference_two_trip_rule(trips, before, confirmed, after):
    found, pending, _ = _trips(*trips, pending=before)
    assert found is confirmed
    if after is not None:
        assert pending is after


def test_reference_limp_home_lights_the_lamp_in_the_first_cycle_even_unmonitored():
    ratio = np.full((3, 1), LIMP_HOME_RATIO + 0.1, dtype=np.float32)
    z, runs = np.zeros((1, MAX_TRIPS), dtype=np.float32), np.ones((1, MAX_TRIPS), dtype=np.float32)
    confirmed, share = monitor_day(PackState.alike(FAMILY, 1), ratio, _trips_of(2), MonitorDraws(z, runs))
    assert confirmed[0]
    assert share[0] == pytest.approx(0.25)


def test_property_time_of_the_confirmation_is_in_the_confirming_trip():
    assert _trips("d", "d", "c", "c")[2] == pytest.approx(1.5 / 4)
    assert _trips("c", "c", "d", "d")[2] == pytest.approx(3.5 / 4)


def test_property_critical_severity_lies_on_the_line_through_its_neighbours():
    ratio = np.array([[0.2, 1.2, 0.4, 0.2], [0.6, 1.3, 1.2, 0.2], [1.4, 1.5, 1.4, 0.2]], dtype=np.float32)
    found = critical_severity(ratio)
    assert found[0] == pytest.approx(1.25)
    assert found[1] == 0
    assert found[2] == pytest.approx(0.65 + 0.35 * 0.6 / 0.8)
    assert found[3] > 1e5


def test_property_share_of_monitored_trips():
    draws = draw_monitor(np.random.default_rng(0), 20_000)
    # 200,000 uniform draws: standard error 0.001.
    assert (draws.runs_u < MONITOR_RUNS).mean() == pytest.approx(MONITOR_RUNS, abs=0.005)


def _day(family, n):
    def each(value):
        return np.full(n, value, dtype=np.float32)

    return day_use(family, each(40), np.full(n, 3), each(17), each(1), each(0))


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda f: f.name)
def test_parity_spread_of_the_day_loop_and_of_the_meter(family):
    # At severity 1 the low point of the swing under the peak current: what an ideal meter would read there.
    state = PackState.alike(family, 3)
    state.charge_ah[:, 1] -= np.array([0.05, 0.15, 0.3], dtype=np.float32) * family.rated_ah
    use = _day(family, 3)
    volts = block_voltage_v(
        family, state, use.peak_a.astype(float), use.driving_c.astype(float), -use.depth_ah.astype(float)
    )
    low = volts[:, 1]
    loaded = ((volts.sum(axis=1) - low) / (family.blocks - 1) - low) / family.discharge_spread_limit_v
    rest = block_voltage_v(family, state, np.zeros(3), use.driving_c.astype(float))
    resting = (rest[:, 0] - rest[:, 1]) / family.rest_spread_limit_v
    ratio = spread_ratio(family, CurveLookup.of(family.curves), state, use)[SEVERITIES.index(1.0)]
    np.testing.assert_allclose(ratio, np.maximum(loaded, resting), atol=0.01)


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda f: f.name)
def test_property_spread_grows_with_missing_charge_and_any_block_can_be_the_one(family):
    state = PackState.alike(family, 8)
    for row in range(8):
        state.charge_ah[row, row] -= np.float32(0.06 * row * family.rated_ah)
    ratio = spread_ratio(family, CurveLookup.of(family.curves), state, _day(family, 8))[1]
    assert (np.diff(ratio) > 0).all()
    assert ratio[0] < 0.05
    assert ratio[-1] > 1


def test_property_joint_shows_under_load_whatever_is_charged():
    state = PackState.alike(FAMILY, 2)
    # The limit in ohms: 1.1 V at 60 A is 18.3 mΩ.
    state.joint_mohm[0, 5] = 18.2
    state.joint_mohm[1, 5] = 18.5
    state.charge_ah[:, 5] += 0.3
    ratio = spread_ratio(FAMILY, LOOKUP, state, _day(FAMILY, 2))[1]
    assert ratio[0] < 1.01
    assert ratio[1] - ratio[0] == pytest.approx(0.3e-3 * 60 / 1.1, abs=2e-3)


def test_property_an_overfull_block_stands_out_under_charge():
    state = PackState.alike(FAMILY, 1)
    state.charge_ah[0, 3] = 1.02 * 6.5
    full = spread_ratio(FAMILY, LOOKUP, state, _day(FAMILY, 1))[2]
    state.charge_ah[0, 3] = 0.62 * 6.5
    assert full > 1
    assert spread_ratio(FAMILY, LOOKUP, state, _day(FAMILY, 1))[2] < 0.2


def test_invariance_limits_of_the_controller_scale_like_those_of_the_family():
    state = PackState.alike(FAMILY, 4)
    state.charge_ah[:, 0] -= np.array([0.3, 0.8, 1.3, 1.8], dtype=np.float32)
    nominal = spread_ratio(FAMILY, LOOKUP, state, _day(FAMILY, 4))
    names = ("discharge_spread_limit_v", "charge_spread_limit_v", "rest_spread_limit_v")
    wide = FAMILY.model_copy(update={name: 1.1 * getattr(FAMILY, name) for name in names})
    np.testing.assert_allclose(spread_ratio(wide, LOOKUP, state, _day(FAMILY, 4)), nominal / 1.1, rtol=1e-5)
    tolerant = replace(state, limit_factor=np.full(4, 1.1, dtype=np.float32))
    np.testing.assert_allclose(spread_ratio(FAMILY, LOOKUP, tolerant, _day(FAMILY, 4)), nominal / 1.1, rtol=1e-5)


def test_invariance_order_of_blocks():
    rng = np.random.default_rng(8)
    state = PackState.alike(FAMILY, 20)
    state.charge_ah -= rng.exponential(0.3, state.charge_ah.shape).astype(np.float32)
    turned = replace(state, charge_ah=state.charge_ah[:, rng.permutation(14)])
    np.testing.assert_allclose(
        spread_ratio(FAMILY, LOOKUP, turned, _day(FAMILY, 20)),
        spread_ratio(FAMILY, LOOKUP, state, _day(FAMILY, 20)),
        rtol=1e-4,
    )


@pytest.mark.parametrize(
    ("trips", "rules", "confirmed"),
    [
        ("d", {"confirm_after": 1}, True),
        ("dd", {"confirm_after": 3}, False),
        ("ddd", {"confirm_after": 3}, True),
        ("dcd", {"keeps_pending": True}, True),
        ("dd", {"runs_above_c": 60.0}, False),  # never so warm
        ("dd", {"runs_above_ah": 50.0}, False),  # never so far
        ("dd", {"runs_above_c": -30.0, "runs_above_ah": 0.01}, True),
    ],
)
def test_property_controllers_may_ask_for_more_or_less_than_two_trips(trips, rules, confirmed):
    assert _trips(*trips, **rules)[0] is confirmed


def test_property_the_lowest_block_is_held_against_mean_median_or_highest():
    # The slow way: block voltages of three packs alike, one block low and one high.
    state = PackState.alike(FAMILY, 3)
    state.charge_ah[:, 2] *= 0.5
    state.charge_ah[:, 5] *= 1.3
    state.spread_against[:] = [0, 1, 2]
    use = _trips_of(2)
    many = replace(use, **{name: np.repeat(value, 3) for name, value in vars(use).items()})
    many = replace(many, peak_a=np.zeros(3, dtype=np.float32), depth_ah=np.zeros(3, dtype=np.float32))
    ratio = spread_ratio(FAMILY, LOOKUP, state, many)[1]
    volts = block_voltage_v(FAMILY, state, np.zeros(3), np.full(3, 25.0))[0]
    others = np.delete(volts, 2)
    limit = min(FAMILY.rest_spread_limit_v, FAMILY.discharge_spread_limit_v)
    slow = [(level - volts[2]) / limit for level in (others.mean(), np.median(volts), volts.max())]
    np.testing.assert_allclose(ratio, slow, rtol=2e-3)


def test_parity_what_nothing_can_be_found_of_need_not_be_worked_out():
    """Weak and sound packs, soft trips and hard ones: the same is found on the same trip."""
    rng = np.random.default_rng(12)
    n = 3000
    state = PackState.alike(FAMILY, n)
    state.charge_ah[:, 3] -= rng.uniform(0, 4.5, n).astype(np.float32)
    state.charge_ah += rng.normal(0, 0.05, state.charge_ah.shape).astype(np.float32)
    state.spread_against[:] = rng.integers(0, 3, n)
    state.limit_factor[:] = rng.uniform(0.7, 1.3, n)
    state.severity_sd[:] = rng.uniform(0.05, 0.4, n)
    state.pending[:] = rng.integers(0, 2, n)
    use, draws = _day(FAMILY, n), draw_monitor(rng, n)
    every = spread_ratio(FAMILY, LOOKUP, state, use)
    hardest = hardest_trip(state, use, draws)
    some = spread_ratio(FAMILY, LOOKUP, state, use, hardest)
    quiet = (every[-1] < 1) & (hardest <= SEVERITIES[-1])
    assert 0.1 < quiet.mean() < 0.9
    assert (some[:, quiet] < 1).all()
    np.testing.assert_allclose(some[:, ~quiet], every[:, ~quiet], rtol=1e-6)
    found = [monitor_day(replace(state, pending=state.pending.copy()), ratio, use, draws) for ratio in (every, some)]
    assert 0 < found[0][0].sum() < n
    for one, other in zip(*found, strict=True):
        np.testing.assert_array_equal(one, other)
