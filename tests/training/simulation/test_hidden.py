import numpy as np
import pytest

from training.files.families import load_families
from training.simulation.cohort import CohortPlan, cell_tasks, run_of, simulate_cohort
from training.simulation.cohort_batch import CellRun


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
