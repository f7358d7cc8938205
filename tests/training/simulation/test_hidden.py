import numpy as np
import pytest

from training.files.families import load_families
from training.learning.minimum_evidence import thin_rows
from training.learning.moments import moments_of, single_moments, survival_rows
from training.simulation.cohort import CohortPlan, cell_tasks, run_of, simulate_cohort
from training.simulation.cohort_batch import CellRun
from training.simulation.hidden import hidden_values
from training.simulation.population import CONDITION_SHARES


@pytest.fixture(scope="module")
def cohort():
    return simulate_cohort(CohortPlan(packs=300, seed=31))


def test_truth_is_the_hidden_state_as_it_came_in(cohort):
    # The slow way: the same cell set up again, its packs looked at one by one.
    plan = CohortPlan(packs=300, seed=31)
    task = cell_tasks(plan, load_families())[1]
    population = run_of(plan, task, CellRun).population
    truth = cohort.truth.iloc[task.first : task.first + task.packs]
    for row, (_, told) in enumerate(truth.iterrows()):
        state, weak = population.state, population.weak_block[row]
        assert told["weak_block"] == weak + 1
        assert told["leak_per_day"] == pytest.approx(state.leak_per_day[row, weak])
        others = [leak for block, leak in enumerate(state.leak_per_day[row]) if block != weak]
        assert told["second_leak_per_day"] == pytest.approx(max(others))
        assert told["capacity_share"] == pytest.approx(
            state.capacity_ah[row, weak] / np.median(state.capacity_ah[row]), rel=1e-5
        )
        assert told["deficit_share"] * task.family.rated_ah == pytest.approx(told["deficit_ah"])
        assert told["km_per_day"] == pytest.approx(population.use.km_per_day[row])


def test_conditions_show_in_what_is_hidden(cohort):
    of = cohort.truth.groupby("condition")
    leak, capacity, joint = (of[name].median() for name in ("leak_per_day", "capacity_share", "joint_mohm"))
    assert leak["leak"] > 5 * leak["neglect"]
    assert capacity["fade"] < 0.85 < 0.9 < capacity["leak"]
    assert joint["joint"] > 5 * joint["leak"]


def test_rows_carry_what_is_hidden_and_never_as_a_feature(cohort):
    moments = moments_of(cohort.tables, np.random.default_rng(1))
    rows = survival_rows(cohort.tables, moments, cohort.truth)
    truth = cohort.truth.set_index("pack_id").loc[rows.moments["pack_id"]]
    np.testing.assert_allclose(np.exp(rows.hidden["leak_per_day"]), np.maximum(truth["leak_per_day"], 1e-5))
    assert (rows.hidden[list(CONDITION_SHARES)].sum(axis=1) == 1).all()
    topped = cohort.tables.topups["blocks"].iloc[rows.moments["topup"]].astype(int).to_numpy()
    np.testing.assert_array_equal(rows.hidden["weak block topped"] == 1, topped == truth["weak_block"].to_numpy())
    assert 0.7 < rows.hidden["weak block topped"].mean() < 0.98
    assert rows.hidden.notna().all(axis=None)
    plain = survival_rows(cohort.tables, moments)
    assert plain.hidden is None
    assert plain.X.equals(rows.X)


def test_rows_taken_joined_and_thinned_keep_it(cohort):
    rows = single_moments(cohort.tables, np.random.default_rng(2), cohort.truth)
    some = rows.take(np.array([5, 3, 80]))
    assert some.hidden.equals(rows.hidden.iloc[[5, 3, 80]].reset_index(drop=True))
    assert thin_rows(cohort.tables, some).hidden.equals(some.hidden)
    real = single_moments(cohort.tables, np.random.default_rng(2))
    assert real.with_rows(real).hidden is None
    for joined, own in ((real.with_rows(some), slice(0, len(real))), (some.with_rows(real), slice(3, None))):
        assert joined.hidden.iloc[own].isna().all(axis=None)
        assert joined.hidden.notna().all(axis=1).sum() == 3
        assert len(joined.hidden) == len(joined)


def test_the_order_of_moments_is_kept(cohort):
    moments = moments_of(cohort.tables, np.random.default_rng(3))
    turned = moments.iloc[::-1].reset_index(drop=True)
    found = hidden_values(cohort.truth, cohort.tables, moments)
    assert found.iloc[::-1].reset_index(drop=True).equals(hidden_values(cohort.truth, cohort.tables, turned))
