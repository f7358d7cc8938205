"""Worlds: their draws, their switches one by one, and cohorts of many of them."""

from dataclasses import replace

import numpy as np
import pytest

from models.base.errors import BadInput
from training.files.families import load_families
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.cohort_batch import CellRun
from training.simulation.meters import MeterQuality
from training.simulation.places import PLACES
from training.simulation.population import draw_population
from training.simulation.workshop import WorkshopHabits
from training.simulation.world import (
    CONDITION_WEIGHTS,
    NUMBERS,
    SWITCHES,
    USUAL_WORLD,
    PackLaws,
    World,
    draw_world,
    draw_worlds,
)
from training.simulation.world_places import habits_in, meters_in

FAMILIES = load_families()
FAMILY = FAMILIES["marl-28"]
PLAN = CohortPlan(packs=240, seed=3, worlds=12)


@pytest.fixture(scope="module")
def cohort():
    return simulate_cohort(PLAN)


def _world(numbers=None, **switches):
    """Return the usual world but for a few things."""
    return World(
        "asked for",
        dict(USUAL_WORLD.numbers) | (numbers or {}),
        dict(USUAL_WORLD.switches) | {name.replace("_", " "): way for name, way in switches.items()},
    )


def _population(world, n=400, seed=5):
    laws = PackLaws((world,), np.zeros(n, dtype=np.intp))
    return draw_population(FAMILY, list(PLACES.values()), n, np.random.default_rng(seed), laws=laws)


def _weak(population, name):
    return getattr(population.state, name)[np.arange(population.state.packs), population.weak_block]


def test_recovery_ways_come_up_as_often_as_they_say():
    drawn = draw_worlds(2000, 1)
    for name, switch in SWITCHES.items():
        assert switch.usual in switch.shares
        assert sum(switch.shares.values()) == pytest.approx(1)
        for way, share in switch.shares.items():
            found = np.mean([world.switches[name] == way for world in drawn])
            # Four standard errors.
            assert found == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 2000))
    for name, number in NUMBERS.items():
        values = np.array([world.numbers[name] for world in drawn])
        assert np.isfinite(values).all()
        assert values.std() > 0
        assert np.float32(number.prior.low) <= values.min()
        assert number.prior.mark


def test_property_shares_of_conditions_differ_widely_and_sum_to_one():
    shares = [world.shares() for world in draw_worlds(300, 2)]
    assert all(sum(s.values()) == pytest.approx(1) for s in shares)
    leaks = np.array([s["leak"] for s in shares])
    assert np.quantile(leaks, 0.05) < 0.2
    assert np.quantile(leaks, 0.95) > 0.6
    assert USUAL_WORLD.shares()["leak"] == pytest.approx(0.42)
    assert USUAL_WORLD.shares()["dry-out"] == 0


def test_property_switches_can_be_left_out_or_held():
    rng = np.random.default_rng
    for seed in range(60):
        free, held = draw_world(rng(seed)), draw_world(rng(seed), only={"cells": ("one",)})
        assert held.switches == dict(free.switches) | {"cells": "one"}
        assert held.numbers == free.numbers
        left = draw_world(rng(seed), without={"onset": ("grown",), "cells": ("one", "mixed")})
        assert left.switches["onset"] == "set"
        assert left.switches["cells"] in ("all", "some")
    assert draw_worlds(5, 9)[:3] == draw_worlds(3, 9)


@pytest.mark.parametrize(
    ("given", "where"),
    [
        ({"only": {"cell": ("one",)}}, "switch"),
        ({"without": {"cells": ("two",)}}, "switch cells"),
        ({"without": {"onset": ("set", "grown")}}, "switch onset"),
    ],
)
def test_property_unknown_switches_are_named(given, where):
    with pytest.raises(BadInput) as error:
        draw_world(np.random.default_rng(1), **given)
    assert error.value.problems[0].where == where


def test_property_as_many_worlds_as_there_are_packs_at_most():
    with pytest.raises(BadInput) as error:
        CohortPlan(packs=10, seed=1, worlds=11)
    assert error.value.problems[0].where == "worlds"


def test_property_packs_are_spread_evenly_over_worlds(cohort):
    counts = cohort.truth["world"].value_counts()
    assert set(counts.index) == set(range(12))
    assert counts.min() == counts.max() == 20
    assert list(cohort.worlds["world"]) == list(range(12))
    assert {f"switch {name}" for name in SWITCHES} | set(NUMBERS) <= set(cohort.worlds)
    plain = simulate_cohort(CohortPlan(packs=30, seed=3))
    assert (plain.truth["world"] == 0).all()
    assert list(plain.worlds["name"]) == ["usual"]


def test_invariance_same_plan_same_packs_whatever_the_number_of_workers(cohort):
    again = simulate_cohort(PLAN, workers=2)
    assert again.truth.equals(cohort.truth)
    assert again.tables.readings.equals(cohort.tables.readings)
    assert again.tables.outcomes.equals(cohort.tables.outcomes)
    other = simulate_cohort(replace(PLAN, world_seed=4))
    assert not other.tables.outcomes.equals(cohort.tables.outcomes)


def test_property_the_usual_world_changes_no_habit_and_no_meter():
    habits, meters = WorkshopHabits(orders_pack=0.3, worst_first=False), MeterQuality(noise_factor=2.0)
    assert habits_in(USUAL_WORLD, habits) == habits
    assert meters_in(USUAL_WORLD, meters) == meters
    assert habits_in(_world(replacement="never"), habits).orders_pack == 0
    assert meters_in(_world({"channel sd": 0.03}, channels="apart"), meters).channel_sd_v == pytest.approx(0.03)


def test_property_one_cell_is_sick_or_some_or_all():
    for way, low, high in (("one", 1, 1), ("some", 2, 8)):
        found = _population(_world({"sick share": 0.4}, cells=way))
        sick = _weak(found, "sick_cells")
        charged = np.isin(found.condition, ("leak", "fade", "leak and fade"))
        # Where so few cannot trip the monitor, the whole block is sick.
        assert (sick[charged] > 0).mean() > 0.5
        assert sick[sick > 0].min() >= low
        assert sick.max() <= high
        assert not sick[np.isin(found.condition, ("joint", "neglect", "healthy"))].any()
    assert not _population(_world(cells="all")).state.sick_cells.any()


def test_property_leaks_are_shares_or_ampere_hours():
    side, short = _population(_world()), _population(_world(leak="soft short"))
    leak = side.condition == "leak"
    assert not side.state.drain_ah_per_day.any()
    assert (_weak(short, "drain_ah_per_day")[short.condition == "leak"] > 0).all()
    assert np.median(_weak(side, "leak_per_day")[leak]) > 3 * np.median(_weak(short, "leak_per_day")[leak])
    mixed = _population(_world(leak="mixed"))
    some = (_weak(mixed, "drain_ah_per_day") > 0)[mixed.condition == "leak"]
    assert 0.3 < some.mean() < 0.7


def test_property_leaks_grow_jump_or_stand():
    for way, growing, jumping in (("steady", False, False), ("growing", True, False), ("jumping", False, True)):
        found = _population(_world(course=way))
        leak = found.condition == "leak"
        assert (_weak(found, "leak_growth")[leak] > 0).all() == growing
        assert (_weak(found, "jump_per_day")[leak] > 0).all() == jumping
    assert (_population(_world(course="healing")).state.jump_factor < 1).all()


def test_property_grown_faults_vary_more_in_depth_and_none_that_never_shows_is_seen():
    world = _world({"leak": 0.02, "leak sd": 1.0})
    at_once = _population(world, n=1500)
    grown = _population(_world({"leak": 0.02, "leak sd": 1.0}, onset="grown"), n=1500)
    leak = grown.condition == "leak"
    # Packs with slow leaks do not get there: those that are seen leak faster.
    assert np.median(_weak(grown, "leak_per_day")[leak]) > 1.05 * np.median(
        _weak(at_once, "leak_per_day")[at_once.condition == "leak"]
    )
    assert (grown.deficit_ah[leak] > 0).mean() > 0.98
    assert len(grown.condition) == 1500
    assert not grown.state.pending.any()


def test_property_dry_out_is_resistance_and_no_missing_charge():
    weights = {f"weight of {name}": 0.0 for name in CONDITION_WEIGHTS}
    found = _population(_world(weights | {"weight of dry-out": 1.0}))
    assert set(found.condition) == {"dry-out"}
    assert (found.deficit_ah == 0).all()
    median = np.median(found.state.resistance_scale, axis=1)
    assert (_weak(found, "resistance_scale") > 1.05 * median).mean() > 0.95


def test_property_several_blocks_are_weak_or_one():
    def weak_blocks(population):
        leak = population.state.leak_per_day[population.condition == "leak"]
        return (leak > 3 * np.median(leak, axis=1, keepdims=True)).sum(axis=1).mean()

    assert weak_blocks(_population(_world({"more weak": 1.5}, weak_blocks="several"))) > 1.5
    assert weak_blocks(_population(_world())) < 1.1


def test_property_opening_the_pack_mends_joints_where_it_does():
    held = {}
    weights = {f"weight of {name}": 0.0 for name in CONDITION_WEIGHTS} | {"weight of joint": 1.0}
    for way in ("stay", "mended"):
        world = _world(weights | {"mended joints": 0.9}, joints=way)
        held[way] = _returned_by(world, 30)
    assert held["stay"] > 0.9
    assert held["mended"] < 0.5


def test_property_worlds_differ_in_how_long_a_top_up_holds():
    slow = _returned_by(_world({"pace": 0.2}), 14)
    fast = _returned_by(_world({"pace": 2.5}), 14)
    assert slow < 0.35 < 0.65 < fast


def _returned_by(world, days):
    """Share of packs of a world whose fault is back within some days of the first charge."""
    n = 300
    laws = PackLaws((world,), np.zeros(n, dtype=np.intp))
    run = CellRun(
        FAMILY,
        list(PLACES.values()),
        n,
        60,
        np.random.default_rng(6),
        WorkshopHabits(replaces=False, repeat_share=0.0),
        MeterQuality(),
        (0, 365),
        keep_states=False,
        laws=laws,
    )
    outcomes = run.run().outcomes
    back = (outcomes["kind"] == "returned") & (outcomes["day"].astype(float) <= days)
    return back.sum() / n
