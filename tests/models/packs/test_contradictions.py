"""Readings that cannot be what they are said to be: found by physics, never among those of simulated packs."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from models.packs.contradictions import without_contradictions
from models.packs.history import PackHistory
from models.packs.tables import history_of
from tests.cases.packs import history_of_case
from training.files.families import load_families
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.meters import MeterQuality

FAMILIES = load_families()


def history(**pack) -> PackHistory:
    return PackHistory.model_validate(history_of_case({"family": "marl-28", **pack}, FAMILIES))


def test_an_ordinary_history_is_left_as_it_is():
    plain = history()
    assert without_contradictions(plain, FAMILIES["marl-28"]) == (plain, ())


@pytest.mark.parametrize(("amps", "found"), [(0.0, 0), (2.1, 0), (2.2, 1), (-30.0, 1), (30.0, 1)])
def test_a_current_from_a_third_of_the_rated_one_on_is_no_rest(amps, found):
    plain = history()
    first = plain.readings[0].model_copy(update={"current_a": amps})
    said = plain.model_copy(update={"readings": (first, *plain.readings[1:])})
    kept, unused = without_contradictions(said, FAMILIES["marl-28"])
    assert len(unused) == found
    assert len(kept.readings) == len(plain.readings) - found


def test_readings_of_other_visits_and_across_a_charge_do_not_compare():
    plain = history(load_share=-0.1)  # the load reading lies above the rest reading
    assert len(without_contradictions(plain, FAMILIES["marl-28"])[1]) == 1
    load = plain.readings[1]
    late = load.model_copy(update={"time": load.time + timedelta(hours=30)})
    apart = plain.model_copy(update={"readings": (plain.readings[0], plain.readings[2], late)})
    assert without_contradictions(apart, FAMILIES["marl-28"])[1] == ()


def test_nothing_after_the_moment_is_looked_at():
    plain = history(load_share=-0.1)
    assert without_contradictions(plain, FAMILIES["marl-28"], plain.readings[0].time) == (plain, ())


@pytest.mark.parametrize("worlds", [None, 12])
def test_recovery_a_sound_simulated_meter_does_not_contradict_itself(worlds):
    sound = MeterQuality(stuck_channel=0.0, swapped_leads=0.0)
    cohort = simulate_cohort(CohortPlan(250, 17, worlds=worlds, meters=sound))
    readings = found = 0
    for pack_id in cohort.tables.packs["pack_id"]:
        one = history_of(cohort.tables, pack_id)
        readings += len(one.readings)
        found += len(without_contradictions(one, FAMILIES[one.family])[1])
    assert readings > 800
    assert found / readings < 0.002


def test_recovery_a_stuck_channel_contradicts_itself():
    stuck = simulate_cohort(CohortPlan(60, 17, meters=MeterQuality(stuck_channel=1.0, swapped_leads=0.0)))
    told = [
        bool(without_contradictions(history_of(stuck.tables, pack_id), FAMILIES[family])[1])
        for pack_id, family in zip(stuck.tables.packs["pack_id"], stuck.tables.packs["family"], strict=True)
    ]
    # The less a block resists, the more readings a stuck channel may be true of.
    assert np.mean(told) > 0.4
