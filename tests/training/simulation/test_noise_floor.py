import numpy as np
import pytest

from models.base.day_grid import DAYS
from tests.studies.truth import true_curves
from training.learning.moments import survival_rows
from training.scoring import brier_score
from training.simulation.bank import kept_packs
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.noise_floor import forecast_limit, limit_of
from training.simulation.workshop import WorkshopHabits


def test_recovery_the_error_of_known_probabilities_is_found_without_bias():
    # The squared error of a known probability S is S (1 - S) (Brier 1950, the variance of a Bernoulli outcome).
    rng = np.random.default_rng(0)
    hold = np.exp(-np.outer(rng.gamma(2.0, 0.02, 40_000), DAYS))
    for runs in (2, 5):
        found = limit_of(rng.binomial(runs, hold) / runs, runs)
        exact = (hold * (1 - hold)).mean(axis=0)
        assert np.all(np.abs(found.error - exact) <= 4 * np.array(found.standard_error) + 1e-12)
    assert found.integrated == pytest.approx(np.trapezoid(exact, DAYS) / DAYS[-1], abs=4e-3)


def test_it_is_what_the_true_curves_score_on_what_then_happened():
    plan = CohortPlan(160, 8, families=("marl-28",), habits=WorkshopHabits(replaces=False), keep_states=True)
    cohort = simulate_cohort(plan)
    limit = forecast_limit(kept_packs(cohort), seed=0, runs=8)
    truth = true_curves(cohort, replicates=30, seed=3)
    rows = survival_rows(cohort.tables, truth.moments.assign(row=np.arange(len(truth.moments))))
    seen = brier_score(truth.survival[rows.moments["row"]], rows.time, rows.event, days=DAYS)
    assert limit.moments == len(truth.moments)
    # Curves of 30 replicates err by S (1 - S) / 30 more than the truth.
    told, happened = np.array(limit.error) * (1 + 1 / 30), np.array(seen.score)
    error = np.hypot(limit.standard_error, seen.standard_error)
    assert np.all(np.abs(told - happened) <= 4 * error + 1e-12)
    assert told.max() > 5 * error.max()


def test_the_same_seed_gives_the_same_limit_and_fewer_moments_are_all_used():
    plan = CohortPlan(12, 3, families=("marl-28", "loess-28"), keep_states=True)
    kept = kept_packs(simulate_cohort(plan))
    one, other = forecast_limit(kept, seed=4, moments=10), forecast_limit(kept, seed=4, moments=10)
    assert one == other
    assert one.moments == 10
    assert forecast_limit(kept, seed=4).moments == sum(ready.packs for ready, _ in kept.values())


def test_training_on_simulated_packs_reports_it(small_trained):
    report = small_trained.report
    assert 0 < report.limit.integrated < report.whole.score.score
