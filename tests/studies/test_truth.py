import numpy as np
import pandas as pd
import pytest

from models.base.day_grid import DAYS
from models.packs.tables import to_days
from models.physics.cell_curves import CurveLookup
from models.physics.day_step import draw_day, run_day
from models.physics.use_process import draw_use, use_of_day
from models.survival.kaplan_meier import kaplan_meier
from tests.studies.truth import simulate_return_days, true_curves
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits


@pytest.fixture(scope="module")
def cohort():
    return simulate_cohort(
        CohortPlan(
            packs=300,
            seed=51,
            keep_states=True,
            habits=WorkshopHabits(replaces=False, repeat_share=0.0, recheck_share=0.0),
        )
    )


@pytest.fixture(scope="module")
def curves(cohort):
    return true_curves(cohort, replicates=20, seed=3)


def test_property_curves_are_survival_curves_for_every_kept_moment(cohort, curves):
    kept = sum(len(r.states.pack) for r in cohort.cells)
    assert curves.survival.shape == (kept, len(DAYS)) == (len(curves.moments), len(DAYS))
    assert (curves.survival[:, 0] == 1).all()
    assert (np.diff(curves.survival, axis=1) <= 0).all()
    np.testing.assert_array_equal(curves.survival * 20, np.round(curves.survival * 20))


def test_invariance_workers():
    few = simulate_cohort(CohortPlan(packs=30, seed=52, families=("marl-28", "loess-28"), keep_states=True))
    one, two = (true_curves(few, replicates=8, seed=3, workers=workers) for workers in (1, 2))
    np.testing.assert_array_equal(one.survival, two.survival)
    pd.testing.assert_frame_equal(one.moments, two.moments)


def test_property_moments_lie_between_a_charge_and_its_end(cohort, curves):
    first = cohort.tables.topups.groupby("pack_id")["time"].min()
    last = cohort.tables.outcomes.groupby("pack_id")["time"].max()
    assert (curves.moments["origin"] > curves.moments["pack_id"].map(first)).all()
    assert (curves.moments["origin"] < curves.moments["pack_id"].map(last)).all()


def test_recovery_true_curves_foretell_what_then_happened(cohort, curves):
    # One moment a pack (its release), nobody censored: the mean curve is the distribution of what happened. 200
    # packs, 20 replicates each: standard error at most 0.036; three of them are allowed.
    first = ~curves.moments["pack_id"].duplicated().to_numpy()
    back = cohort.tables.outcomes.groupby("pack_id").first()
    rows = curves.moments[first]
    time = to_days(back["time"].reindex(rows["pack_id"])) - to_days(rows["origin"])
    event = (back["kind"].reindex(rows["pack_id"]) == "returned").to_numpy()
    observed = kaplan_meier(time, event).at(DAYS)
    np.testing.assert_allclose(curves.survival[first].mean(axis=0), observed, atol=0.11)
    # And they tell packs apart: those that came back within two weeks had the lower curves.
    at14 = curves.survival[first][:, list(DAYS).index(14)]
    assert at14[event & (time <= 14)].mean() < at14[~(event & (time <= 14))].mean() - 0.4


def test_parity_with_running_the_days_by_hand(cohort):
    record = max(cohort.cells, key=lambda r: len(r.states.pack))
    states = record.states
    rows = np.arange(30)
    state, use, day = states.state.take(rows), states.use.take(rows), states.day[rows].astype(float)
    found = simulate_return_days(record.family, state, use, day, np.random.default_rng(1), horizon=3)
    rng, lookup = np.random.default_rng(1), CurveLookup.of(record.family.curves)
    by_hand = state.take(rows)
    confirmed, share = run_day(
        record.family,
        lookup,
        by_hand,
        use_of_day(record.family, use, day, draw_use(rng, 30), by_hand.clog),
        draw_day(rng, 30, by_hand.blocks),
    )
    assert confirmed.tolist() == (found < 1).tolist()
    # The first trip is half an hour after the release, the driving spread over twelve hours.
    np.testing.assert_allclose(found[confirmed], (0.5 + 12 * share[confirmed]) / 24)
    np.testing.assert_array_equal(state.charge_ah, states.state.charge_ah[rows])
