from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from models.forecasts.newest_topups import NewestTopUps
from models.packs.tables import (
    block_columns,
    date_of,
    from_days,
    history_of,
    side_by_side,
    tables_from_histories,
    to_days,
)
from training.simulation.cohort import CohortPlan, simulate_cohort


@pytest.fixture(scope="module")
def tables():
    return simulate_cohort(CohortPlan(packs=60, seed=21)).tables


def test_reference_days_since_1970():
    # RFC 3339 times; the second is 19,784 days and a quarter after the first day of Unix time (IEEE 1003.1).
    times = pd.DatetimeIndex(["1970-01-01T00:00:00Z", "2024-03-02T06:00:00Z", "2024-03-02T08:00:00+02:00"], tz="UTC")
    assert to_days(times).tolist() == [0, 19784.25, 19784.25]


def test_property_times_survive_to_the_second_and_gaps_stay_gaps():
    days = np.array([19784.123456, np.nan, 0.0])
    back = to_days(from_days(days))
    np.testing.assert_allclose(back[[0, 2]], days[[0, 2]], atol=0.5 / 86400)
    assert np.isnan(back[1])


@pytest.mark.parametrize("day", [0.0, 19784.25, 20513.9999942, 20513.9999943, 20088.5 / 3, -1 / 86400])
def test_parity_a_date_is_that_of_the_time_to_the_second(day):
    assert date_of(day) == f"{from_days(np.array([day]))[0]:%Y-%m-%d}"


def test_parity_of_each_pack_its_own_topups_are_found_in_their_order(tables):
    packs = pd.Index([*tables.packs["pack_id"][40:], *tables.packs["pack_id"][:20], "MB-NONE"])
    newest = NewestTopUps(tables, packs)
    mine = [newest.rows_of("topups", place).tolist() for place in range(len(packs))]
    assert mine == [np.flatnonzero(tables.topups["pack_id"] == pack).tolist() for pack in packs]
    assert max(map(len, mine)) > 1


def test_a_table_of_nothing_has_its_columns(tables):
    bare = tables_from_histories([], tables.families)
    assert {name: len(frame) for name, frame in bare.frames().items()} == dict.fromkeys(bare.frames(), 0)
    assert list(bare.topups) == list(tables.topups)


def test_two_workshops_side_by_side_keep_every_row_of_packs_of_one_name(tables):
    few = tables.of_packs(tables.packs["pack_id"][:5])
    both = side_by_side({"south": few, "north": tables})
    for name, frame in both.frames().items():
        assert len(frame) == len(few.frames()[name]) + len(tables.frames()[name])
    one = few.packs["pack_id"].iloc[0]
    for workshop in ("south", "north"):
        there = history_of(both, f"{workshop}/{one}")
        assert there.model_copy(update={"pack_id": one}) == history_of(tables, one)
    assert both.packs["pack_id"].is_unique


def test_parity_tables_to_histories_and_back(tables):
    histories = [history_of(tables, p) for p in tables.packs["pack_id"]]
    again = tables_from_histories(histories, tables.families)
    for name, frame in tables.frames().items():
        other = again.frames()[name]
        pd.testing.assert_frame_equal(
            frame.sort_values(list(frame.columns[:2]), kind="stable", ignore_index=True),
            other[frame.columns].sort_values(list(frame.columns[:2]), kind="stable", ignore_index=True),
            check_dtype=False,
            rtol=0,
            # Voltages are held in single precision, and read back to a tenth of a millivolt.
            atol=5e-5,
        )


def test_parity_history_of_a_table_of_one_history_is_that_history(tables):
    for pack_id in tables.packs["pack_id"].head(20):
        history = history_of(tables, pack_id)
        assert history_of(tables_from_histories([history], tables.families), pack_id) == history


def test_property_voltages_come_back_without_the_noise_of_single_precision(tables):
    for pack_id in tables.packs["pack_id"].head(10):
        for reading in history_of(tables, pack_id).readings:
            assert all(v is None or v == round(v, 4) for v in reading.block_v)


def test_property_a_pack_has_as_many_blocks_as_its_family(tables):
    for pack_id, family in zip(tables.packs["pack_id"], tables.packs["family"], strict=True):
        assert {len(r.block_v) for r in history_of(tables, pack_id).readings} == {tables.families[family].blocks}


def test_property_of_packs_keeps_only_these_in_every_table(tables):
    some = list(tables.packs["pack_id"].iloc[[3, 17]])
    part = tables.of_packs(some)
    for frame in part.frames().values():
        assert set(frame["pack_id"]) <= set(some)
    assert history_of(part, some[1]) == history_of(tables, some[1])


def test_property_an_unknown_pack_is_a_key_error(tables):
    with pytest.raises(KeyError):
        history_of(tables, "nobody")


def test_property_missing_values_come_back_as_none(tables):
    readings = tables.readings.copy()
    row = readings.index[readings["pack_id"] == tables.packs["pack_id"].iloc[0]][0]
    readings.loc[row, "temperature_c"] = np.nan
    readings.loc[row, block_columns(readings)[1]] = np.nan
    history = history_of(replace(tables, readings=readings), tables.packs["pack_id"].iloc[0])
    assert history.readings[0].temperature_c is None
    assert history.readings[0].block_v[1] is None
