import numpy as np
from sklearn.base import clone
from sksurv.metrics import integrated_brier_score
from sksurv.util import Surv

from models.base.day_grid import DAYS
from models.features.definitions import DIRECTIONS
from models.survival.estimator import SurvivalEstimator
from tests.models.estimators.test_hazard_trees import cohort
from tests.studies.peers.trees_and_network import HazardPair
from training.learning.moments import moments_of, single_moments, survival_rows
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits


def test_speaks_the_interface():
    assert isinstance(HazardPair(), SurvivalEstimator)
    assert clone(HazardPair(epochs=7)).epochs == 7


def test_is_the_mean_by_share_and_keeps_directions():
    X, time, event, entry, _ = cohort(1, n=800)
    X = np.nan_to_num(X)
    pair = HazardPair(rounds=20, stop_early=False, epochs=5, share=0.25, monotone={1: 1}).fit(X, time, event, entry)
    trees, network = (part.predict_survival(X, DAYS) for part in (pair.booster_, pair.network_))
    assert np.abs(trees - network).max() > 0.05
    np.testing.assert_allclose(pair.predict_survival(X, DAYS), 0.75 * trees + 0.25 * network)
    swept = np.repeat(X[:30], 9, axis=0)
    swept[:, 1] = np.tile(np.linspace(-3, 3, 9), 30)
    change = np.diff(pair.predict_survival(swept, DAYS).reshape(30, 9, -1), axis=1)
    assert change.max() <= 1e-12
    assert change.min() < -0.01


def test_errs_less_than_either_part_on_packs(small_cohort):
    # Invented packs, scored by scikit-survival's integrated Brier score.
    tables = small_cohort.tables
    learn = survival_rows(tables, moments_of(tables, np.random.default_rng(0)))
    fresh = single_moments(
        simulate_cohort(CohortPlan(700, 12, habits=WorkshopHabits(replaces=False))).tables, np.random.default_rng(1)
    )
    pair = HazardPair(monotone=DIRECTIONS, rounds=60, stop_early=False).fit(learn.X, learn.time, learn.event)
    truth, at = Surv.from_arrays(fresh.event, fresh.time), DAYS[1:-1]
    score = [
        integrated_brier_score(truth, truth, part.predict_survival(fresh.X, at), at)
        for part in (pair, pair.booster_, pair.network_)
    ]
    assert score[0] < 0.99 * min(score[1:])
