"""Learning from an own record: repeatable, blind to the future, bold only as far as outcomes carry it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.base.day_grid import DAYS
from models.calibration.conformal import ConformalBound, ShrunkenBound
from models.packs.tables import from_days
from training.learning.back_test import known_by
from training.learning.fitting import FitSettings, split_rows
from training.learning.moments import moments_of, survival_rows
from training.learning.own_records import (
    ALONE_RETURNS,
    FINE_RETURNS,
    SHIFT_RETURNS,
    TOGETHER_RETURNS,
    OwnRows,
    Recipe,
    Start,
    effective_returns,
    learn_from_records,
    recipes_for,
    report_of,
    simulated_rows,
)
from training.scoring import integrated_brier_score
from training.simulation.cohort import FIRST_DAY, CohortPlan, simulate_cohort

QUICK = FitSettings(members=2, rounds=15, epochs=5, workers=1)
YEAR_END = from_days(np.array([FIRST_DAY + 365.0]))[0].to_pydatetime()


@pytest.fixture(scope="module")
def record(made_once):
    """A year at another place. Invented."""
    return made_once(
        "own-record", lambda: simulate_cohort(CohortPlan(260, 41, places=("cinder-flats",), years=1)).tables
    )


@pytest.fixture(scope="module")
def start(small_trained, small_cohort):
    def simulated():
        rows = survival_rows(small_cohort.tables, moments_of(small_cohort.tables, np.random.default_rng([0, 7])))
        return split_rows(rows, apart=True)[0]

    return Start(small_trained.forecaster, simulated)


@pytest.fixture(scope="module")
def learned(made_once, start, record):
    return made_once("own-learned", lambda: learn_from_records(start, record, YEAR_END, settings=QUICK))


@pytest.fixture(scope="module")
def fresh():
    tables = simulate_cohort(CohortPlan(300, 43, places=("cinder-flats",), years=1)).tables
    return survival_rows(tables, moments_of(tables, np.random.default_rng(1)))


def test_the_same_record_and_seed_give_the_same_model(start, record, learned, fresh):
    again = learn_from_records(start, record, YEAR_END, settings=QUICK)
    assert again.forecaster.model_id == learned.forecaster.model_id
    assert again.facts == learned.facts
    one, two = (found.forecaster.curves(fresh.X)[0] for found in (learned, again))
    np.testing.assert_allclose(one, two, rtol=0, atol=1e-12)


def test_what_is_recorded_for_later_teaches_nothing(start, record, learned, fresh):
    late = record.outcomes["time"] > YEAR_END
    assert late.any()
    outcomes = record.outcomes[~(late & (np.arange(len(late)) % 2 == 0))].reset_index(drop=True)
    outcomes.loc[outcomes["time"] > YEAR_END, "kind"] = "returned"
    other = learn_from_records(start, replace(record, outcomes=outcomes), YEAR_END, settings=QUICK)
    assert other.forecaster.model_id == learned.forecaster.model_id
    np.testing.assert_array_equal(other.forecaster.curves(fresh.X)[0], learned.forecaster.curves(fresh.X)[0])


def test_choice_and_evidence_are_told(learned):
    names = [s.recipe for s in learned.standings]
    assert names[:2] == ["as it stands", "recalibrated finely"]
    assert any(name.startswith("together") for name in names)
    assert learned.recipe.name in names
    assert learned.facts["way"] == learned.recipe.name
    assert learned.facts["returns"] >= TOGETHER_RETURNS
    assert [s["recipe"] for s in learned.facts["back_test"]] == names
    best = min(learned.standings, key=lambda s: s.log_score)
    chosen = next(s for s in learned.standings if s.recipe == learned.recipe.name)
    # The simpler one may be preferred, but never one that is clearly behind.
    assert chosen.log_score - best.log_score <= 3 * max(s.standard_error for s in learned.standings)
    assert learned.facts["effective_returns"] > 0


def test_it_does_hardly_worse_on_packs_it_never_saw(start, learned, fresh):
    # With so small a record chance decides: on four fresh cohorts the scores were 0.98 to 1.05 of the start's. That it
    # gains from larger ones is measured by tests/benchmarks/bench_learning.py.
    before, after = (
        integrated_brier_score(f.curves(fresh.X)[0], fresh.time, fresh.event).score
        for f in (start.forecaster, learned.forecaster)
    )
    assert after < 1.06 * before


def test_report_is_made_of_forecasts_from_before_the_outcome(learned, small_trained):
    report = report_of(learned, small_trained.report, "2026-03-02")
    assert report.scored_on == "shop"
    assert report.follow_up.rows == len(learned.back_test.rows)
    few = replace(learned, back_test=None)
    stands = report_of(few, small_trained.report, "2026-03-02")
    assert stands.whole == small_trained.report.whole
    assert stands.origin_sentence.startswith("The record is too small yet")


def test_without_a_return_nothing_changes(start, record):
    early = from_days(np.array([FIRST_DAY + 0.5]))[0].to_pydatetime()
    found = learn_from_records(start, record, early, settings=QUICK)
    assert found.forecaster is start.forecaster
    assert found.recipe.way == "as it stands"


def test_more_outcomes_allow_more():
    ways = [[r.way for r in recipes_for(n, True)] for n in (0, 1, TOGETHER_RETURNS, ALONE_RETURNS)]
    assert ways[0] == ["as it stands"]
    assert ways[1] == ["as it stands", "bound alone"]
    assert [r.way for r in recipes_for(SHIFT_RETURNS, True)] == ["as it stands", "recalibrated"]
    assert set(ways[2]) == {"as it stands", "recalibrated", "together"}
    assert FINE_RETURNS <= ALONE_RETURNS
    assert set(ways[3]) == {"as it stands", "recalibrated finely", "together", "alone"}
    without = [r.way for r in recipes_for(ALONE_RETURNS, False)]
    assert without == ["as it stands", "recalibrated finely", "alone"]


def test_an_outcome_counts_once_however_often_its_pack_was_seen(record):
    known = known_by(record, YEAR_END)
    own = OwnRows.of(known, 0)
    topups = own.rows.moments["topup"]
    assert own.share == pytest.approx(topups.nunique() / len(topups))
    back = own.rows.event & (own.rows.time <= DAYS[-1])
    assert own.returns == topups[back].nunique() < back.sum()


def test_effective_returns_are_kish(start, record):
    own = OwnRows.of(known_by(record, YEAR_END), 0)
    simulated = start.simulated()
    fixed = int((simulated.event & (simulated.time <= DAYS[-1])).sum())
    weights = np.concatenate([np.ones(fixed), np.full(own.returns, 10.0)])
    found = effective_returns(own, Recipe("together", 10.0), simulated)
    assert found == pytest.approx(weights.sum() ** 2 / (weights**2).sum())


def test_simulated_rows_come_again_or_not_at_all(small_cohort, small_trained, start):
    families, habits = small_cohort.tables.families, CohortPlan(1, 0).habits
    digest = small_trained.facts["data_digest"]
    again = simulated_rows(1000, 11, habits, families, digest, 1, apart=True)
    assert again is not None
    assert set(again.moments["pack_id"]) == set(start.simulated().moments["pack_id"])
    assert again.hidden is not None
    assert simulated_rows(1000, 11, habits, families, "another", 1, apart=True) is None


def test_shrunken_bound_lies_between_its_two_sources():
    """Property: level of a mixture of two estimates; all of one or the other at the ends of the weight."""
    rng = np.random.default_rng(0)
    curve = np.exp(-DAYS / 20.0)
    here, there = rng.exponential(12.0, 400), rng.exponential(20.0, 400)
    own, before = (ConformalBound().fit(np.tile(curve, (400, 1)), t, np.ones(400, dtype=bool)) for t in (here, there))
    levels = [ShrunkenBound(own, before, k).level(0.9) for k in (1e-9, 100.0, 400.0, 1e9)]
    assert levels == sorted(levels)
    assert levels[0] == pytest.approx(own.level(0.9))
    assert levels[-1] == pytest.approx(before.level(0.9))
    assert "from the workshop's own record" in ShrunkenBound(own, before, 100.0).guarantee(0.9)


@pytest.mark.parametrize("packs", [5, 20, 60])
def test_coverage_does_not_suffer_from_few_own_packs(packs):
    """Recovery: own packs like those elsewhere; over 200 draws the shrunken bound still covers 90 in 100."""
    rng = np.random.default_rng(packs)
    curve = np.exp(-DAYS / 20.0)
    before = ConformalBound().fit(np.tile(curve, (2000, 1)), rng.exponential(20.0, 2000), np.ones(2000, dtype=bool))
    held = []
    for _ in range(200):
        own = ConformalBound().fit(np.tile(curve, (packs, 1)), rng.exponential(20.0, packs), np.ones(packs, dtype=bool))
        day = ShrunkenBound(own, before, 200.0).bound(curve[None], 0.9)[0]
        held.append(np.exp(-day / 20.0))
    assert np.mean(held) >= 0.9 - 0.005
    assert np.min(held) >= 0.86


def test_groups_keep_their_bound_without_own_packs(start, learned, fresh):
    bound = learned.forecaster.bound
    survival, _, _ = learned.forecaster.curves(fresh.X)
    days = bound.bound(survival, 0.9, groups=learned.forecaster.bound_group(fresh.X))
    assert np.all((days >= 0) & (days <= DAYS[-1]))
    assert set(start.forecaster.bound.by_group_) <= set(bound.by_group_)
