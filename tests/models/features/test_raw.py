"""The feature table: the same numbers one by one and together, in any order, and nothing from after the origin."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from models.features.definitions import FEATURE_NAMES, FEATURES
from models.features.derived import surplus_share, without_surplus
from models.features.inferred_topups import with_inferred_topups
from models.features.raw import STAY_DAYS, VISIT_DAYS, feature_frame, raw_features
from models.packs.history import PackHistory
from models.packs.tables import HistoryTables, block_columns, tables_from_histories
from tests.cases.packs import history_of_case
from training.files.families import load_families
from training.learning.moments import moments_of


@pytest.fixture(scope="module")
def tables(small_cohort):
    return small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[::3])


@pytest.fixture(scope="module")
def moments(tables):
    return moments_of(tables, np.random.default_rng(0))


@pytest.fixture(scope="module")
def frame(tables, moments):
    return feature_frame(tables, moments)


def test_property_columns_types_and_index(frame, moments):
    assert tuple(frame.columns) == FEATURE_NAMES
    assert (frame.dtypes == np.float64).all()
    assert frame.index.equals(moments.index)
    assert not np.isinf(frame.to_numpy()).any()


def test_parity_batch_equals_one_by_one(tables, moments, frame):
    for row in np.random.default_rng(1).choice(len(moments), 60, replace=False):
        one = moments.iloc[[row]]
        alone = feature_frame(tables.of_packs(one["pack_id"]), one)
        pd.testing.assert_frame_equal(alone, frame.iloc[[row]], rtol=1e-9, atol=1e-12)


def test_invariance_order_of_moments_packs_and_rows(tables, moments, frame):
    rng = np.random.default_rng(2)
    mixed = HistoryTables(
        **{name: f.iloc[rng.permutation(len(f))].reset_index(drop=True) for name, f in tables.frames().items()},
        families=tables.families,
    )
    shuffled = moments.iloc[rng.permutation(len(moments))]
    # Rows of one pack at the same second (a rest reading noted twice) would tie; the simulation has none.
    pd.testing.assert_frame_equal(feature_frame(mixed, shuffled).loc[moments.index], frame, rtol=1e-9, atol=1e-12)


def test_property_facts_after_the_origin_change_nothing(tables, moments, frame):
    origin = moments.groupby("pack_id")["origin"].max()

    def spoil(table, **changes):
        late = table["time"] > table["pack_id"].map(origin)
        assert late.any()
        return table.assign(**{k: table[k].mask(late, v) for k, v in changes.items()})

    volts = dict.fromkeys(block_columns(tables.readings), np.float32(1.0))
    spoiled = replace(
        tables,
        readings=spoil(tables.readings, current_a=99.0, temperature_c=99.0, **volts),
        outcomes=spoil(tables.outcomes, kind="retired"),
        topups=spoil(tables.topups, charge_ah=99.0)
        if (tables.topups["time"] > tables.topups["pack_id"].map(origin)).any()
        else tables.topups,
    )
    last = moments.groupby("pack_id").tail(1)
    pd.testing.assert_frame_equal(feature_frame(spoiled, last), frame.loc[last.index], rtol=0, atol=0)


def test_property_facts_up_to_the_origin_are_read(tables, moments, frame):
    volts = {c: tables.readings[c] * np.float32(1.02) for c in block_columns(tables.readings)[:1]}
    other = feature_frame(replace(tables, readings=tables.readings.assign(**volts)), moments)
    assert not other.equals(frame)


def test_property_missing_evidence_stays_missing(tables, moments, frame):
    bare = replace(
        tables,
        readings=tables.readings.iloc[:0],
        usage=tables.usage.iloc[:0],
        packs=tables.packs.assign(age_years=np.nan, odometer_km=np.nan),
        topups=tables.topups.assign(
            charge_ah=np.nan,
            end_v=np.nan,
            duration_h=np.nan,
            rest_before_v=np.nan,
            rest_after_v=np.nan,
            rest_after_h=np.nan,
        ),
    )
    found = feature_frame(bare, moments)
    known = {f.name for f in FEATURES if f.source == "family" or not np.isnan(f.unknown)}
    known |= {"last_hold_days", "shortest_hold_days", "last_same_block", "critical_share"}
    # What is left rests on the family and on the dates of top-ups and returns alone: estimates are their priors.
    known |= {f.name for f in FEATURES if f.source == "concluded"} - {
        "charge_surplus_share",
        "level_share",
        "after_rise_mv_per_cell",
        "after_rise_per_share_mv",
        "end_drop_share",
        "now_loss_share_per_day",
        "now_loss_error_share_per_day",
        "leak_factor",
        "charge_passage_days",
        "earlier_passage_days",
    }
    assert set(found.columns[found.notna().any()]) == known
    assert frame["charge_share"].isna().any()
    assert frame["now_rest_mv_per_cell"].isna().any()


def test_invariance_of_units_per_cell(tables, moments, frame):
    # Twice the cells at twice the voltage and twice the resistance are the same evidence.
    def bigger(f):
        names = ("discharge_spread_limit_v", "charge_spread_limit_v", "rest_spread_limit_v")
        return f.model_copy(update={"cells_per_block": 2 * f.cells_per_block} | {n: 2 * getattr(f, n) for n in names})

    volts = {c: 2 * tables.readings[c] for c in block_columns(tables.readings)}
    topups = {c: 2 * tables.topups[c] for c in ("end_v", "rest_before_v", "rest_after_v")}
    double = HistoryTables(
        tables.packs,
        tables.readings.assign(**volts),
        tables.topups.assign(**topups),
        tables.usage,
        tables.outcomes,
        {name: bigger(f) for name, f in tables.families.items()},
    )
    found = feature_frame(double, moments)
    # How clearly a block stands out has a floor of 1 mV, below which no meter reads: that one has a scale of its own.
    own = ["cells_per_block", "before_lead"]
    pd.testing.assert_frame_equal(found.drop(columns=own), frame.drop(columns=own), rtol=1e-5, atol=1e-5)


def test_property_an_unrecorded_topup_is_inferred_from_two_rest_readings(tables):
    pack_id = tables.packs["pack_id"].iloc[0]
    part = tables.of_packs([pack_id])
    b = block_columns(part.readings)
    start = pd.Timestamp("2026-03-02T08:00:00Z")
    rest = (
        part.readings.iloc[[0, 0]]
        .assign(time=[start, start + pd.Timedelta(days=1)], state="rest", current_a=0.0)
        .reset_index(drop=True)
    )
    rest[b] = rest[b].iloc[[0, 0]].to_numpy()
    family = tables.families[part.packs["family"].iloc[0]]
    rest.loc[0, b[: family.blocks]] = np.float32(1.28)
    rest.loc[1, b[: family.blocks]] = np.float32(1.28)
    rest.loc[0, b[3]] = np.float32(1.10)
    bare = replace(
        part, readings=rest, topups=part.topups.iloc[:0], usage=part.usage.iloc[:0], outcomes=part.outcomes.iloc[:0]
    )
    found, inferred = with_inferred_topups(bare)
    assert inferred == {pack_id}
    assert found.topups["blocks"].tolist() == ["4"]
    moment = pd.DataFrame({"pack_id": [pack_id], "origin": [start + pd.Timedelta(days=1)]})
    assert feature_frame(found, moment)["before_rest_mv_per_cell"].notna().all()


def test_by_hand_what_went_in_beyond_the_missing_is_taken_out_and_nothing_else(tables, moments):
    raw = raw_features(tables, moments)
    rows, counted = without_surplus(raw, surplus_share(raw))
    charge, missing = raw.columns["charge_share"], raw.columns["before_missing_share"]
    most = np.where(np.isnan(missing), raw.families.of(lambda f: f.soc_target), np.maximum(missing, 0) + 0.04)
    assert rows.tolist() == np.flatnonzero(charge > most).tolist()
    assert 0 < len(rows) < len(charge)
    assert np.allclose(counted.columns["charge_share"], most[rows], rtol=0, atol=1e-12)
    assert np.nanmax(surplus_share(counted)) < 1e-12
    same = set(raw.columns) - {"charge_share"}
    assert all(np.array_equal(counted.columns[n], raw.columns[n][rows], equal_nan=True) for n in same)


@pytest.mark.parametrize("minutes", [0, 1])
def test_invariance_what_is_read_twice_at_one_visit_counts_once(tables, moments, frame, minutes):
    """Two readings of one visit share what the meter and the curve leave open, so they are no two measurements."""
    again = tables.readings.assign(time=tables.readings["time"] + pd.Timedelta(minutes=minutes))
    twice = replace(tables, readings=pd.concat([tables.readings, again]).sort_values("time", kind="stable"))
    later = moments.assign(origin=moments["origin"] + pd.Timedelta(minutes=minutes))
    found = feature_frame(twice, later)
    for name in ("loss_error_share_per_day", "missing_error_share", "excess_error_mohm_per_cell", "loss_share_per_day"):
        # A minute on the answer is of a minute later; the errors would shrink by three tenths if both counted.
        near = 1e-3 if minutes else 1e-9
        np.testing.assert_allclose(found[name], frame[name], rtol=near, atol=near)


@pytest.fixture
def read_twice():
    """Features of a pack whose reading after the charge is entered again, with one under load between or not."""
    families = load_families()

    def features(hours: float | None, load_hours: float | None = None) -> pd.Series:
        content = history_of_case({"family": "gravel-14", "after_v": 0.02}, families)
        last = content["readings"][-1]
        at = pd.Timestamp(last["time"])
        if load_hours is not None:
            under = {**content["readings"][1], "time": (at + pd.Timedelta(hours=load_hours)).isoformat()}
            content["readings"].append(under)
        if hours is not None:
            content["readings"].append({**last, "time": (at + pd.Timedelta(hours=hours)).isoformat()})
        history = PackHistory.model_validate(content)
        tables = tables_from_histories([history], families)
        origin = pd.DatetimeIndex([history.last_fact_time]).tz_convert("UTC")
        return feature_frame(tables, pd.DataFrame({"pack_id": tables.packs["pack_id"], "origin": origin})).iloc[0]

    return features


@pytest.mark.parametrize("hours", [1.0, 7.0, 16.0, 24 * STAY_DAYS])
def test_property_a_reading_repeated_on_the_bench_is_none_while_holding(read_twice, hours):
    """Read too soon and again next day: the later one is the reading after the charge, not one of a driven car."""
    once, twice = read_twice(None), read_twice(hours)
    assert twice[["now_rest_mv_per_cell", "now_loss_share_per_day"]].isna().all()
    assert twice["after_rest_mv_per_cell"] == once["after_rest_mv_per_cell"]
    assert twice["after_rest_hours"] == pytest.approx(once["after_rest_hours"] + hours)


def test_property_a_reading_after_it_was_driven_is_one_while_holding(read_twice):
    later = read_twice(24 * STAY_DAYS + 1)
    assert later["now_rest_held_days"] == pytest.approx(later["held_days"])
    driven = read_twice(20.0, load_hours=24 * VISIT_DAYS + 8)
    assert driven["now_rest_held_days"] == pytest.approx(driven["held_days"])
    assert driven["after_rest_hours"] == pytest.approx(read_twice(None)["after_rest_hours"])
