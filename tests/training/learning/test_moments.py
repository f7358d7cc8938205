from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from models.packs.tables import block_columns, to_days
from training.learning.moments import (
    LONGEST_HOLDING_DAYS,
    RETURN_VISIT_DAYS,
    VISITS_KEPT,
    fold_of,
    moments_of,
    survival_rows,
)


@pytest.fixture(scope="module")
def tables(small_cohort):
    return small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[::2])


@pytest.fixture(scope="module")
def moments(tables):
    return moments_of(tables, np.random.default_rng(1))


@pytest.fixture(scope="module")
def rows(tables, moments):
    return survival_rows(tables, moments)


def test_property_every_topup_has_its_release_and_few_visits(tables, moments):
    counts = pd.crosstab(moments["topup"], moments["occasion"])
    assert (counts["release"] <= 1).all()
    assert (counts["release"] == 1).mean() > 0.95
    # The k-th visit is kept with probability 2/k: of 180 daily reports 2 + 2/3 + … + 2/180 = 9.5 are expected.
    expected = sum(min(1.0, VISITS_KEPT / k) for k in range(1, 181))
    assert 0.8 * expected < counts["visit"].max() < expected + 4 * np.sqrt(expected)
    # Half are drawn, and of these some fall after the end.
    assert 0.15 < (counts["holding"] == 1).mean() < 0.5
    assert moments.loc[moments["occasion"] == "holding", "origin"].notna().all()
    days = to_days(moments["origin"]) - to_days(tables.topups["time"].iloc[moments["topup"]])
    assert days[(moments["occasion"] == "holding").to_numpy()].max() < LONGEST_HOLDING_DAYS + 5
    assert moments.sort_values(["pack_id", "origin"], kind="stable").index.equals(moments.index)


def test_property_moments_lie_after_their_topup_and_before_its_end(tables, moments):
    start = tables.topups["time"].to_numpy()[moments["topup"]]
    assert (moments["origin"].to_numpy() > start).all()
    nxt = tables.topups.groupby("pack_id")["time"].shift(-1).to_numpy()[moments["topup"]]
    later = ~pd.isna(nxt)
    assert (moments["origin"].to_numpy()[later] < nxt[later]).all()


def test_reference_time_and_event_counted_by_hand(tables, rows):
    # The slow way: for each moment look through the pack's outcomes one by one.
    ends = dict(list(tables.outcomes.groupby("pack_id")))
    for row in np.random.default_rng(2).choice(len(rows), 200, replace=False):
        pack_id, origin = rows.moments.loc[row, ["pack_id", "origin"]]
        after = ends[pack_id][ends[pack_id]["time"] > origin].iloc[0]
        assert rows.time[row] == pytest.approx((after["time"] - origin).total_seconds() / 86400)
        assert rows.event[row] == (after["kind"] == "returned")
        assert rows.replaced[row] == (after["kind"] == "replaced")


def test_property_rows_line_up_and_follow_long_enough(moments, rows):
    assert len(rows) == len(rows.X) == len(rows.moments) == len(rows.event) == len(rows.replaced)
    assert len(rows) == len(moments)
    assert rows.time.min() > 0
    assert rows.time[(rows.moments["occasion"] == "visit").to_numpy()].min() > RETURN_VISIT_DAYS
    assert not (rows.event & rows.replaced).any()
    assert rows.event.any()
    assert rows.replaced.any()


def test_property_facts_after_the_origin_never_change_the_features_of_a_row(tables, rows):
    # For one row of each pack: everything later is spoiled, what is learnt from must stay the same to the last bit.
    rng = np.random.default_rng(3)
    chosen = np.sort(
        pd.Series(np.arange(len(rows))).groupby(rows.moments["pack_id"]).apply(lambda s: rng.choice(s)).to_numpy()
    )
    some = rows.moments.iloc[chosen].reset_index(drop=True)
    origin = some.set_index("pack_id")["origin"]

    def late(frame):
        return (frame["time"] > frame["pack_id"].map(origin)).to_numpy()

    readings, topups, usage = tables.readings.copy(), tables.topups.copy(), tables.usage.copy()
    for frame in (readings, topups, usage):
        assert late(frame).any()
    readings.loc[late(readings), block_columns(readings)] = np.float32(0.5)
    readings.loc[late(readings), "state"] = "charge"
    topups.loc[late(topups), "charge_ah"] = 77.0
    topups.loc[late(topups), "blocks"] = "2"
    usage.loc[late(usage), "km_per_day"] = 999.0
    outcomes = tables.outcomes.copy()
    moved = late(outcomes)
    outcomes.loc[moved, "time"] += pd.Timedelta(days=3)
    outcomes.loc[moved, "kind"] = "returned"
    spoiled = survival_rows(replace(tables, readings=readings, topups=topups, usage=usage, outcomes=outcomes), some)
    pd.testing.assert_frame_equal(spoiled.X, rows.X.iloc[chosen].reset_index(drop=True), rtol=0, atol=0)
    # The answers do change: the check is not blind.
    assert (spoiled.time > rows.time[chosen] + 2.9).all()


def test_property_features_hold_nothing_of_the_outcome_itself(tables, rows):
    unknown = replace(tables, outcomes=tables.outcomes.assign(time=tables.outcomes["time"] + pd.Timedelta(days=1000)))
    first = rows.moments[rows.moments["topup"].isin(tables.topups.groupby("pack_id").head(1).index)]
    blind = survival_rows(unknown, first.reset_index(drop=True))
    pd.testing.assert_frame_equal(blind.X, rows.X.loc[first.index].reset_index(drop=True), rtol=0, atol=0)


def test_property_moments_after_which_nothing_is_known_are_left_out(tables, moments):
    silent = tables.packs["pack_id"].iloc[0]
    short = replace(tables, outcomes=tables.outcomes[tables.outcomes["pack_id"] != silent])
    rows = survival_rows(short, moments)
    assert silent not in set(rows.moments["pack_id"])
    assert len(rows) == (moments["pack_id"] != silent).sum()


def test_property_same_draw_same_moments(tables, moments):
    pd.testing.assert_frame_equal(moments_of(tables, np.random.default_rng(1)), moments)
    assert not moments_of(tables, np.random.default_rng(2)).equals(moments)


def test_property_folds_keep_packs_together_and_do_not_depend_on_the_rows(rows):
    packs = rows.moments["pack_id"]
    fold = fold_of(packs, 20)
    assert pd.Series(fold).groupby(packs.to_numpy()).nunique().max() == 1
    order = np.random.default_rng(4).permutation(len(packs))
    np.testing.assert_array_equal(fold_of(packs.iloc[order], 20), fold[order])
    np.testing.assert_array_equal(fold_of(packs.iloc[:50], 20), fold[:50])
    assert set(fold) == set(range(20))
    # Folds of another salt have nothing to do with these: 19 of 20 packs change theirs.
    assert (fold_of(packs, 20, salt="other") != fold).mean() > 0.9
    # Of 500 packs about 25 fall into each of 20 folds; Poisson, four standard deviations.
    sizes = pd.Series(fold_of(pd.Series(packs.unique()), 20)).value_counts()
    assert sizes.between(5, 45).all()


def test_property_taken_rows_keep_together(rows):
    some = rows.take(np.array([5, 2, 9]))
    assert some.moments["origin"].tolist() == rows.moments["origin"].iloc[[5, 2, 9]].tolist()
    np.testing.assert_array_equal(some.time, rows.time[[5, 2, 9]])
    np.testing.assert_array_equal(some.X.to_numpy(), rows.X.to_numpy()[[5, 2, 9]])
    mask = rows.event
    assert len(rows.take(mask)) == mask.sum()
    assert to_days(rows.take(mask).moments["origin"]).shape == (mask.sum(),)


def ended(tables, minutes):
    """Let each first top-up that was read on its day come back so soon after the last reading of its release."""
    first = moments_of(tables, np.random.default_rng(1)).query("occasion == 'release'").groupby("pack_id").head(1)
    charged = tables.topups["time"].iloc[first["topup"]].to_numpy()
    on_its_day = ((first["origin"].to_numpy() - charged) < pd.Timedelta(days=1)) & (
        first["origin"].to_numpy() > charged
    )
    read = first[on_its_day & first.set_index(["pack_id", "origin"]).index.isin(
        pd.MultiIndex.from_frame(tables.readings[["pack_id", "time"]])
    )]  # fmt: skip
    ends = read[["pack_id"]].assign(time=read["origin"] + pd.Timedelta(minutes=minutes), kind="returned")
    filled = ends.reindex(columns=tables.outcomes.columns).astype(tables.outcomes.dtypes.to_dict())
    return read, replace(tables, outcomes=filled)


@pytest.mark.parametrize("minutes", [1, 43, 61])
def test_a_return_soon_after_the_release_is_a_return(tables, minutes):
    read, soon = ended(tables, minutes)
    assert len(read) > 100
    rows = survival_rows(soon, moments_of(soon, np.random.default_rng(1)))
    assert set(rows.moments.loc[rows.event, "topup"]) >= set(read["topup"])
    assert rows.time[(rows.moments["occasion"] == "release").to_numpy()].min() == pytest.approx(minutes / 1440)


def test_a_reading_of_the_visit_at_which_the_fault_was_back_is_no_moment(tables, moments):
    """A visit on a later day, its outcome noted 43 minutes after its reading: too late to ask how long it will hold."""
    visits = moments[moments["occasion"] == "visit"].groupby("pack_id").head(1)
    days = to_days(visits["origin"]) - to_days(tables.topups["time"].iloc[visits["topup"]])
    visits = visits[days > 5]
    ends = visits[["pack_id"]].assign(time=visits["origin"] + pd.Timedelta(minutes=43), kind="returned")
    filled = ends.reindex(columns=tables.outcomes.columns).astype(tables.outcomes.dtypes.to_dict())
    found = moments_of(replace(tables, outcomes=filled), np.random.default_rng(1))
    read = found[found["occasion"] != "holding"].merge(ends, on="pack_id")
    assert len(read) > 50
    assert (read["time"] - read["origin"]).min() > pd.Timedelta(hours=1)
