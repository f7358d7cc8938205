from dataclasses import fields

import numpy as np
import pytest

from models.base.errors import BadInput
from models.interventions.plans import (
    PRESENT,
    USUAL_PLANS,
    Plan,
    missing_from_level_ah,
    next_weakest,
    planned_state,
    planned_use,
    rest_voltage_v,
)
from models.physics.day_step import recentre
from models.physics.pack_state import PackState
from training.files.families import load_families
from training.simulation.places import PLACES
from training.simulation.population import draw_population

FAMILY = load_families()["marl-28"]


@pytest.fixture(scope="module")
def population():
    return draw_population(FAMILY, list(PLACES.values()), 120, np.random.default_rng(4))


def test_property_the_present_plan_changes_nothing(population):
    state, use = population.state, population.use
    after = planned_state(PRESENT, FAMILY, state, population.weak_block)
    for f in fields(state):
        np.testing.assert_array_equal(getattr(after, f.name), getattr(state, f.name))
    for f in fields(use):
        np.testing.assert_array_equal(getattr(planned_use(PRESENT, use), f.name), getattr(use, f.name))


@pytest.mark.parametrize("plan", USUAL_PLANS, ids=lambda p: p.name)
def test_property_no_plan_touches_the_packs_it_is_tried_on(population, plan):
    before = population.state.take(np.arange(population.state.packs))
    planned_state(plan, FAMILY, population.state, population.weak_block)
    for f in fields(before):
        np.testing.assert_array_equal(getattr(population.state, f.name), getattr(before, f.name))


def test_property_a_swapped_block_is_like_its_neighbours_and_they_stay(population):
    state, weak = population.state, population.weak_block
    after = planned_state(Plan("swap", swap_block=True), FAMILY, state, weak)
    rows = np.arange(state.packs)
    others = np.ones(state.charge_ah.shape, dtype=bool)
    others[rows, weak] = False
    for name in ("capacity_ah", "leak_per_day", "resistance_scale", "joint_mohm", "loss_per_ah"):
        np.testing.assert_array_equal(getattr(after, name)[others], getattr(state, name)[others])
        low, high = (f(getattr(state, name), axis=1) for f in (np.min, np.max))
        assert ((getattr(after, name)[rows, weak] >= low) & (getattr(after, name)[rows, weak] <= high)).all()
    share = after.charge_ah / after.capacity_ah
    np.testing.assert_allclose(share[rows, weak], np.median(share, axis=1), atol=0.02)
    # The next weakest is still there, and now decides.
    assert (after.leak_per_day.max(axis=1)[population.condition == "two leaks"] > 0.01).all()


def test_property_cleaned_connections_mend_a_bad_joint_and_nothing_else(population):
    state, weak = population.state, population.weak_block
    after = planned_state(Plan("clean", clean_joints=True), FAMILY, state, weak)
    rows, joint = np.arange(state.packs), population.condition == "joint"
    assert joint.any()
    assert (state.joint_mohm[rows, weak][joint] > 2 * np.median(state.joint_mohm[joint], axis=1)).all()
    assert (after.joint_mohm <= state.joint_mohm).all()
    np.testing.assert_array_equal(after.joint_mohm.max(axis=1), np.median(state.joint_mohm, axis=1))
    assert not after.joint_growth.any()
    for name in ("capacity_ah", "leak_per_day", "resistance_scale", "loss_per_ah", "hysteresis"):
        np.testing.assert_array_equal(getattr(after, name), getattr(state, name))


def test_property_a_topping_charge_brings_level_and_leaves_an_offset_that_is_no_charge(population):
    state, weak = population.state, population.weak_block
    rows = np.arange(state.packs)
    lacking = missing_from_level_ah(state, weak) > 0.5
    after = planned_state(Plan("one", topped_blocks=1), FAMILY, state, weak)
    assert (missing_from_level_ah(state, weak)[lacking] > 0.5).all()
    # The controller then moves the string; blocks of unequal capacity part again by a few hundredths.
    np.testing.assert_allclose(missing_from_level_ah(after, weak)[lacking], 0, atol=0.06)
    assert (after.hysteresis[rows, weak][lacking] > 0.5).all()
    assert not after.pending.any()


def test_property_two_topped_blocks_are_the_one_and_the_next_weakest(population):
    state, weak = population.state, population.weak_block
    second = next_weakest(FAMILY, state, weak)
    assert (second != weak).all()
    volts = rest_voltage_v(FAMILY, state)
    rows = np.arange(state.packs)
    for row in rows:
        assert volts[row, second[row]] == np.delete(volts[row], weak[row]).min()
    after = planned_state(Plan("two", topped_blocks=2, stored_ah=0.4), FAMILY, state, weak)
    before = state.take(rows)
    recentre(FAMILY, before)
    gained = after.charge_ah - before.charge_ah
    top_two = np.sort(gained, axis=1)[:, -2:]
    np.testing.assert_allclose(top_two - gained.min(axis=1, keepdims=True), 0.4, atol=1e-3)


def test_property_a_new_pack_stands_behind_the_old_controller(population):
    after = planned_state(Plan("new", replace_pack=True), FAMILY, population.state, population.weak_block)
    assert isinstance(after, PackState)
    np.testing.assert_array_equal(after.limit_factor, population.state.limit_factor)
    assert np.ptp(after.capacity_ah, axis=1).max() == 0


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"km_share": -0.1}, "km_share"),
        ({"cooler_k": 45}, "cooler_k"),
        ({"start_after_days": 91}, "start_after_days"),
        ({"topped_blocks": 3}, "topped_blocks"),
        ({"stored_ah": 1.0}, "stored_ah"),
        ({"swap_block": True, "topped_blocks": 1}, "plans.x"),
        ({"swap_block": True, "clean_joints": True}, "plans.x"),
    ],
)
def test_a_plan_that_is_none_is_refused_by_name(wrong, where):
    with pytest.raises(BadInput, match=where):
        Plan("x", **wrong)
