"""The technician's minimum: what is left of a record, and that forecasts from it stay honest."""

from __future__ import annotations

import numpy as np
import pytest

from models.packs.tables import block_columns, to_days
from training.learning.fitting import FitSettings, Further, train_forecaster
from training.learning.minimum_evidence import technicians_minimum, thin_rows
from training.learning.moments import single_moments
from training.scoring import bound_coverage, integrated_brier_score, integrated_calibration_index
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def tables():
    return simulate_cohort(CohortPlan(packs=1600, seed=81, habits=WorkshopHabits(replaces=False))).tables


@pytest.fixture(scope="module")
def rows(tables):
    return single_moments(tables, np.random.default_rng(2))


def test_property_only_the_minimum_is_left(tables, rows):
    thin, moments = technicians_minimum(tables, rows.moments)
    assert len(moments) == len(rows)
    np.testing.assert_array_equal(moments["origin"], rows.moments["origin"])
    assert moments["pack_id"].is_unique
    assert (thin.readings["state"] == "rest").all()
    assert thin.usage.empty
    assert thin.outcomes.empty
    assert thin.topups["pack_id"].is_unique
    numbers = [c for c in thin.topups if c not in ("pack_id", "time", "blocks")]
    assert thin.topups[numbers].isna().all(axis=None)
    assert thin.readings[["current_a", "temperature_c"]].isna().all(axis=None)
    assert thin.packs[["age_years", "odometer_km"]].isna().all(axis=None)

    charged = thin.topups.set_index("pack_id")["time"]
    seen = thin.readings["pack_id"].map(charged)
    before = to_days(thin.readings["time"]) < to_days(seen)
    side = thin.readings.assign(before=before).groupby(["pack_id", "before"]).size()
    assert (side == 1).all()
    origin = thin.readings["pack_id"].map(moments.set_index("pack_id")["origin"])
    assert (to_days(thin.readings["time"]) <= to_days(origin)).all()


def test_reference_one_moment_by_hand(tables, rows):
    thin, moments = technicians_minimum(tables, rows.moments)
    row = int(np.flatnonzero(rows.moments["occasion"] == "visit")[0])
    pack, origin = rows.moments.loc[row, "pack_id"], rows.moments.loc[row, "origin"]
    charge = tables.topups[(tables.topups["pack_id"] == pack) & (tables.topups["time"] <= origin)].iloc[-1]
    shots = tables.readings[(tables.readings["pack_id"] == pack) & (tables.readings["state"] == "rest")]
    wanted = [shots[shots["time"] < charge["time"]].tail(1), shots[shots["time"] >= charge["time"]].head(1)]
    wanted = [w for w in wanted if len(w) and (w["time"].iloc[0] - charge["time"]).days < 4]
    mine = thin.readings[thin.readings["pack_id"] == moments.loc[row, "pack_id"]]
    assert len(mine) == len(wanted)
    columns = block_columns(tables.readings)
    for found, expected in zip(mine[columns].to_numpy(), wanted, strict=True):
        np.testing.assert_array_equal(found, expected[columns].to_numpy()[0])


def test_invariance_thinning_twice_changes_nothing(tables, rows):
    once, moments = technicians_minimum(tables, rows.moments)
    twice, again = technicians_minimum(once, moments)
    np.testing.assert_array_equal(again["origin"], moments["origin"])
    assert len(twice.readings) == len(once.readings)
    assert len(twice.topups) == len(once.topups)


def trained():
    stays = WorkshopHabits(replaces=False)
    learn, check = (simulate_cohort(CohortPlan(packs=n, seed=s, habits=stays)) for n, s in ((1000, 82), (1600, 83)))
    return train_forecaster(learn.tables, further=Further(check.tables), settings=FitSettings(workers=1)).forecaster


def test_recovery_thin_evidence_costs_sharpness_not_honesty(made_once, tables, rows):
    forecaster, thin = made_once("thin-evidence", trained), thin_rows(tables, rows)
    full, _, _ = forecaster.curves(rows.X)
    bare, _, _ = forecaster.curves(thin.X)
    sharp, blunt = (integrated_brier_score(s, rows.time, rows.event).score for s in (full, bare))
    common = np.tile(full.mean(axis=0), (len(rows), 1))
    assert sharp < blunt < integrated_brier_score(common, rows.time, rows.event).score
    # Of a small model, and on some 2,000 moments: here 0.065, with three other sets of seeds 0.012 to 0.032. The
    # shipped one is held to 0.015 by the benchmark.
    index = integrated_calibration_index(bare, rows.time, rows.event, day=14.0).index
    assert index < 0.08
    bound = forecaster.bound.bound(bare, 0.9, groups=forecaster.bound_group(thin.X))
    found = bound_coverage(bound, rows.time, rows.event, promised=0.9)
    assert 0.86 < found.held < 0.94
