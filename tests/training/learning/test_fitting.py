"""A fitted forecaster: repeatable, better than doing without, honest about too little data."""

from __future__ import annotations

import numpy as np
import pytest

from models.base.errors import BadInput
from training.learning.fitting import (
    CALIBRATION_FOLDS,
    FOLDS,
    REPORT_FOLDS,
    FitSettings,
    data_digest,
    split_rows,
    train_forecaster,
)
from training.learning.moments import fold_of, moments_of, survival_rows
from training.scoring import integrated_brier_score
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.marrow_bay import demo_van, marrow_bay_fleet

FAST = FitSettings(rounds=25, workers=1)


def test_the_same_record_and_seed_give_the_same_forecasts(small_cohort):
    tables = small_cohort.tables.of_packs(small_cohort.truth["pack_id"].iloc[:600])
    one, two = (train_forecaster(tables, settings=FAST) for _ in range(2))
    X = survival_rows(tables, moments_of(tables, np.random.default_rng(0))).X
    np.testing.assert_allclose(one.forecaster.curves(X)[0], two.forecaster.curves(X)[0], rtol=0, atol=1e-12)
    assert one.forecaster.model_id == two.forecaster.model_id
    assert data_digest(tables) == one.facts["data_digest"]
    other = tables.packs.assign(age_years=tables.packs["age_years"] + 1)
    assert (
        data_digest(type(tables)(**(tables.frames() | {"packs": other}), families=tables.families))
        != one.facts["data_digest"]
    )


def test_it_beats_the_common_curve_on_packs_it_never_saw(small_trained):
    fresh = simulate_cohort(CohortPlan(packs=500, seed=12)).tables
    rows = survival_rows(fresh, moments_of(fresh, np.random.default_rng(1)))
    survival, _, _ = small_trained.forecaster.curves(rows.X)
    common = np.tile(survival.mean(axis=0), (len(rows), 1))
    ours, theirs = (integrated_brier_score(s, rows.time, rows.event).score for s in (survival, common))
    assert ours < 0.9 * theirs


def test_parts_share_no_pack(small_cohort):
    fold = fold_of(small_cohort.truth["pack_id"], FOLDS)
    sizes = np.bincount(fold, minlength=FOLDS)
    assert set(CALIBRATION_FOLDS).isdisjoint(REPORT_FOLDS)
    # A fair hash: each of 20 folds holds 50 of 1000 packs, within five standard deviations (binomial).
    assert np.all(np.abs(sizes - 50) < 5 * np.sqrt(50 * 0.95))


def test_packs_are_kept_for_calibration_only_where_no_further_ones_serve(small_cohort):
    rows = survival_rows(small_cohort.tables, moments_of(small_cohort.tables, np.random.default_rng(0)))

    def packs(some):
        return set(some.moments["pack_id"])

    train, calibration, held = split_rows(rows, apart=True)
    whole, none, again = split_rows(rows, apart=False)
    assert packs(whole) == packs(train) | packs(calibration)
    assert packs(train).isdisjoint(packs(calibration))
    assert packs(again) == packs(held)
    assert packs(whole).isdisjoint(packs(held))
    assert len(none) == 0
    assert len(train) + len(calibration) + len(held) == len(rows)


def test_too_few_returns_are_refused(small_cohort):
    tables = small_cohort.tables.of_packs(small_cohort.truth["pack_id"].iloc[:8])
    with pytest.raises(BadInput, match="60 are needed"):
        train_forecaster(tables, settings=FAST)


def test_the_marrow_bay_fleet_is_the_committed_one(tmp_path, repository):
    from training.simulation.marrow_bay import write_fleet

    write_fleet(tmp_path)
    committed = repository / "data" / "synthetic"
    names = sorted(p.name for p in committed.glob("*.csv"))
    assert names == sorted(p.name for p in tmp_path.glob("*.csv"))
    for name in names:
        assert (tmp_path / name).read_bytes() == (committed / name).read_bytes(), name


def test_the_demonstration_van_is_still_out(small_trained):
    fleet = marrow_bay_fleet()
    van = demo_van(fleet)
    last = fleet.topups.loc[fleet.topups["pack_id"] == van, "time"].max()
    ends = fleet.outcomes.loc[fleet.outcomes["pack_id"] == van, "time"]
    assert not (ends > last).any()
