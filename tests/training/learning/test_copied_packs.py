"""A history on record under several names is one witness."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from training.learning.copied_packs import copies_in, without_copies
from training.learning.own_records import OwnRows, learn_from_records
from training.simulation.cohort import CohortPlan, simulate_cohort


@pytest.fixture(scope="module")
def record(made_once):
    """Invented."""
    return made_once("copied-record", lambda: simulate_cohort(CohortPlan(12, 71, years=1)).tables)


def copied(record, times):
    """The same packs under further names, as a folder that was imported again under other names."""
    frames = {
        name: pd.concat(
            [frame, *(frame.assign(pack_id=frame["pack_id"] + f"-copy{n}") for n in range(times))], ignore_index=True
        ).sort_values(["pack_id", *(["time"] if "time" in frame else [])], kind="stable", ignore_index=True)
        for name, frame in record.frames().items()
    }
    return replace(record, **frames)


def test_copies_are_found_whatever_their_names_and_nothing_else_is(record):
    assert copies_in(record) == {}
    found = copies_in(copied(record, 7))
    assert len(found) == 7 * len(record.packs)
    assert all(copy.startswith(f"{one}-copy") for copy, one in found.items())
    alone, count = without_copies(copied(record, 7))
    assert count == 84
    assert set(alone.packs["pack_id"]) == set(record.packs["pack_id"])


def test_a_volt_or_a_second_apart_is_another_pack(record):
    twice = copied(record, 1)
    block = twice.readings.columns[-1]
    for name, by in (("time", pd.Timedelta(1, "s")), (block_known(twice), 0.01)):
        other = twice.readings.copy()
        rows = other["pack_id"].str.endswith("-copy0") & other[name].notna()
        other.loc[rows, name] = other.loc[rows, name] + by
        assert copies_in(replace(twice, readings=other)) == {}, block


def block_known(tables):
    return next(c for c in tables.readings if c.startswith("block_1_"))


def test_the_copy_with_outcomes_is_kept(record):
    twice = copied(record, 1)
    kept = twice.outcomes[twice.outcomes["pack_id"].str.endswith("-copy0")].reset_index(drop=True)
    alone, _ = without_copies(replace(twice, outcomes=kept))
    assert len(alone.outcomes) == len(kept)


def test_eight_copies_teach_what_one_record_does_and_it_is_said(small_trained, record):
    at = record.outcomes.loc[record.outcomes["kind"] == "returned", "time"].min().to_pydatetime()
    once = learn_from_records(small_trained.forecaster, record, at)
    often = learn_from_records(small_trained.forecaster, copied(record, 7), at)
    assert often.facts["returns"] == once.facts["returns"] > 0
    assert often.forecaster.model_id == once.forecaster.model_id
    assert "84 packs have the very readings of another" in often.why
    assert "counts once" not in once.why
    assert OwnRows.of(copied(record, 7), 0).fates == 8 * OwnRows.of(record, 0).fates
