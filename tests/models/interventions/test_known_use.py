import numpy as np
import pytest

from models.interventions.known_use import AMBIENT_ERROR_C, KM_ERROR, LOOK_AHEAD_DAYS, with_known_use
from training.simulation.bank import ready_packs
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

UNKNOWN = dict.fromkeys(("km_per_day", "trips_per_day", "parked_days_in_30", "ambient_c"), np.nan)


@pytest.fixture(scope="module")
def packs():
    plan = CohortPlan(200, 6, families=("marl-28",), habits=WorkshopHabits(replaces=False), keep_states=True)
    return ready_packs(simulate_cohort(plan))[0][0].take(np.arange(400))


def test_property_what_is_planned_is_met_on_average(packs):
    known = {"km_per_day": 23.0, "trips_per_day": 2.5, "parked_days_in_30": 12.0, "ambient_c": 4.0}
    used = with_known_use(packs, known, 40.0, np.random.default_rng(1))
    sure = 4 / np.sqrt(packs.packs)
    assert np.log(used.use.planned_km_per_day() / 23).mean() == pytest.approx(0, abs=sure * KM_ERROR)
    assert np.log(used.use.trips_per_day / 2.5).mean() == pytest.approx(0, abs=sure * KM_ERROR)
    outside = used.use.ambient_c(packs.day + LOOK_AHEAD_DAYS) - used.use.warmth_c
    assert outside.mean() == pytest.approx(4.0, abs=sure * AMBIENT_ERROR_C)
    assert outside.std() == pytest.approx(AMBIENT_ERROR_C, rel=0.2)
    np.testing.assert_allclose(used.use.parked_days_between(packs.day, 30.0), 12.0)


def test_property_what_is_not_known_stays_their_own_but_for_the_season(packs):
    used = with_known_use(packs, UNKNOWN, 200.0, np.random.default_rng(2))
    for name in ("km_per_day", "trips_per_day", "parking_start", "parking_days", "season_mean_c", "style"):
        np.testing.assert_array_equal(getattr(used.use, name), getattr(packs.use, name))
    today = used.use.start_day_of_year + packs.day
    assert np.abs(today - 200.0).max() <= 3.5
    np.testing.assert_allclose((used.use.start_day_of_year - packs.use.start_day_of_year) % 7, 0)


def test_property_without_a_plan_the_temperature_is_that_of_the_pack_where_it_stands(packs):
    used = with_known_use(packs, UNKNOWN | {"ambient_c": 9.0}, 200.0, np.random.default_rng(4))
    inside = used.use.ambient_c(packs.day + LOOK_AHEAD_DAYS)
    assert inside.mean() == pytest.approx(9.0, abs=4 * AMBIENT_ERROR_C / np.sqrt(packs.packs))


def test_property_no_parking_planned_means_none_within_the_month(packs):
    used = with_known_use(packs, UNKNOWN | {"parked_days_in_30": 0.0}, 200.0, np.random.default_rng(3))
    assert used.use.parked_days_between(packs.day, 30.0).max() == 0
