"""Many packs at once against one by one: the same figures, and each refusal and each stop the same, word for word."""

from __future__ import annotations

import gc
import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from models.base.errors import BadInput, TideoverError, problems_from
from models.forecaster import Forecaster
from models.packs.history import PackHistory
from models.packs.screens import screened
from models.packs.stops import STOPS
from models.packs.tables import (
    HistoryTables,
    block_columns,
    from_days,
    histories_of,
    last_facts,
    tables_from_histories,
    to_days,
)
from tests.cases.harmed import harmed
from tests.cases.packs import history_of_case
from training.files.families import load_families

FAMILIES = load_families()
CASES = [json.loads(line) for line in Path("tests/cases/bench/stops.jsonl").read_text().splitlines()]


@pytest.fixture(scope="module")
def forecaster(small_trained) -> Forecaster:
    return small_trained.forecaster


def same_one_by_one(forecaster: Forecaster, tables: HistoryTables, moments: pd.DataFrame | None = None) -> list[str]:
    """Hold a batch against single forecasts; return what was refused."""
    batch, refused = forecaster.forecast_each(tables, moments)
    flags = forecaster.flags(batch)
    later = {} if moments is None else forecaster.flags_of_later(tables, moments)
    row_of = {pack_id: row for row, pack_id in enumerate(batch.moments["pack_id"])}
    errors = {r.pack_id: r.error for r in refused}
    assert [*errors, *row_of] == list(dict.fromkeys([*errors, *row_of]))
    every = last_facts(tables) if moments is None else moments
    assert set(errors) | set(row_of) == set(every["pack_id"])
    at = dict(zip(every["pack_id"], every["origin"], strict=True))
    said: dict[str, TideoverError] = {}
    for pack_id, history in zip(tables.packs["pack_id"], histories_of(tables), strict=True):
        if pack_id not in at:
            continue
        try:
            if isinstance(history, ValidationError):
                raise BadInput(problems_from(history))
            family = tables.families.get(history.family)
            moment = None if moments is None else at[pack_id].to_pydatetime()
            one = forecaster.forecast(history, at=moment, family=family)
        except TideoverError as error:
            said[pack_id] = error
            continue
        row = row_of[pack_id]
        for told, mine in (
            (one.survival, batch.survival),
            (one.band_low, batch.band_low),
            (one.band_high, batch.band_high),
        ):
            np.testing.assert_allclose(told, mine[row], rtol=0, atol=1e-9)
        np.testing.assert_allclose(list(one.kinds.values()), batch.kinds[row], rtol=0, atol=1e-9)
        assert (one.group, one.widening) == (batch.group[row], batch.widening[row])
        assert later.get(pack_id, ()) + flags[row] == one.flags
    assert {p: (type(e), str(e)) for p, e in errors.items()} == {p: (type(e), str(e)) for p, e in said.items()}
    return [str(error) for error in errors.values()]


def test_every_case_of_a_stop_is_stopped_in_bulk_too(forecaster):
    histories = []
    for number, case in enumerate(CASES):
        history = PackHistory.model_validate(history_of_case(case["pack"], FAMILIES))
        histories.append(history.model_copy(update={"pack_id": f"CASE-{number}"}))
    tables = tables_from_histories(histories, FAMILIES)
    refused = same_one_by_one(forecaster, tables)
    assert len(refused) > sum(bool(case["forecast"]) for case in CASES) > len(STOPS)


def test_a_stop_without_a_screen_holds_up_every_pack(small_cohort, monkeypatch):
    tables = small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:50])
    assert screened(tables, tables).held_up.mean() < 0.3
    monkeypatch.setattr("models.packs.screens.table.STOPS", (replace(STOPS[0], code="new"), *STOPS))
    assert screened(tables, tables).held_up.all()


def spoiled(tables: HistoryTables, rng: np.random.Generator) -> HistoryTables:
    """Damage a table here and there, in all the ways that a history is checked for."""
    packs, readings, topups, outcomes = (
        f.copy() for f in (tables.packs, tables.readings, tables.topups, tables.outcomes)
    )
    blocks = block_columns(readings)

    def some(frame: pd.DataFrame, count: int = 6) -> pd.Index:
        return frame.index[rng.choice(len(frame), count, replace=False)]

    packs.loc[some(packs), "age_years"] = 61.0
    packs.loc[some(packs), "odometer_km"] = -1.0
    packs.loc[some(packs), "family"] = "nobody-knows"
    readings.loc[some(readings), "temperature_c"] = 140.0
    readings.loc[some(readings), "temperature_c"] = 61.0
    readings.loc[some(readings, 40), "temperature_c"] = -3.0
    readings.loc[some(readings[readings["state"] == "discharge"]), "current_a"] = -5.0
    readings.loc[some(readings), "state"] = "asleep"
    readings.loc[some(readings), blocks[2]] = 400.0
    readings.loc[some(readings), blocks[2]] = 19.5
    readings.loc[some(readings), blocks[2]] = -0.2
    readings.loc[some(readings, 30), blocks[0]] -= 1.5
    readings.loc[some(readings, 20), blocks[1:]] = np.nan
    readings.loc[some(readings), blocks[-1]] = 15.0
    topups.loc[some(topups), "blocks"] = "99"
    topups.loc[some(topups), "blocks"] = "3 3"
    topups.loc[some(topups), "charge_ah"] = 60.0
    topups.loc[some(topups), "charge_ah"] = 600.0
    topups.loc[some(topups), "end_v"] = 24.0
    topups.loc[some(topups), "rest_after_v"] = 300.0
    topups.loc[some(topups, 60), "blocks"] = "2"
    topups = topups.drop(some(topups, 60)).reset_index(drop=True)
    outcomes.loc[some(outcomes), "odometer_km"] = 6e6
    outcomes.loc[some(outcomes), "time"] -= pd.Timedelta(days=300)
    outcomes = outcomes.sort_values(["pack_id", "time"], kind="stable", ignore_index=True)
    return replace(tables, packs=packs, readings=readings, topups=topups, outcomes=outcomes)


@pytest.mark.parametrize("seed", [5, 6])
def test_what_earlier_charges_did_is_told_in_bulk_as_it_is_of_one(small_cohort, forecaster, seed):
    packs = small_cohort.tables.packs["pack_id"].iloc[100 * seed : 100 * seed + 80]
    same_one_by_one(forecaster, harmed(small_cohort.tables.of_packs(packs), seed))


def test_as_things_stand_what_ended_since_is_refused(small_cohort, forecaster):
    tables = small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[::5])
    refused = same_one_by_one(forecaster, tables)
    assert sum("nothing is holding any more" in error for error in refused) > 50


@pytest.mark.parametrize("seed", [1, 2])
def test_damaged_tables_are_refused_as_single_packs_are(small_cohort, forecaster, seed):
    rng = np.random.default_rng(seed)
    tables = spoiled(small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:350]), rng)
    moments = last_facts(tables)
    days = np.where(rng.random(len(moments)) < 0.5, rng.uniform(-20, 40, len(moments)), 0.0)
    moments["origin"] = from_days(to_days(moments["origin"]) + days)
    refused = same_one_by_one(forecaster, tables, moments)
    assert 150 < len(refused) < 500
    found = "\n".join(refused)
    for words in (
        *("before every reading", "not a known family", "The fault came back", "was replaced", "no top-up is recorded"),
        *("charged at", "is named, but", "below its peers", "looks like millivolts", "impossible for a block"),
    ):
        assert words in found, words


@pytest.mark.parametrize("seed", [4, 74])
def test_some_as_things_stand_and_some_at_a_moment(small_cohort, forecaster, seed):
    """Parity, flags and refusals included, whatever moment each is asked about.

    The second seed has a flag that told 1.36 V in bulk, from a table in single precision, and 1.35 V of the pack alone.
    """
    tables = spoiled(
        small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:150]), np.random.default_rng(seed)
    )
    known = [history for history in histories_of(tables) if isinstance(history, PackHistory)]
    at = [history.last_fact_time + timedelta(days=2) if n % 3 else None for n, history in enumerate(known)]
    origins = pd.Series(at, dtype="datetime64[us, UTC]")
    moments = pd.DataFrame({"pack_id": [history.pack_id for history in known], "origin": origins})
    batch, refused = forecaster.forecast_each(tables, moments)
    said: dict[str, tuple[type, str]] = {}
    row_of = {pack_id: row for row, pack_id in enumerate(batch.moments["pack_id"])}
    flags, later = forecaster.flags(batch), forecaster.flags_of_later(tables, moments)
    for history, moment in zip(known, at, strict=True):
        try:
            alone = forecaster.forecast(history, moment, family=FAMILIES.get(history.family))
        except TideoverError as error:
            said[history.pack_id] = (type(error), str(error))
            continue
        row = row_of[history.pack_id]
        told = later.get(history.pack_id, ()) + flags[row]
        assert (alone.flags, alone.block, alone.group) == (told, batch.block[row], batch.group[row])
        np.testing.assert_allclose(alone.survival, batch.survival[row], rtol=0, atol=1e-9)
    assert {one.pack_id: (type(one.error), str(one.error)) for one in refused} == said
    assert len(refused) > 10


def test_a_forecast_names_the_block_that_was_topped_up(small_cohort, forecaster):
    packs = small_cohort.tables.packs["pack_id"].iloc[:60]
    told = 0
    for history in histories_of(small_cohort.tables.of_packs(packs)):
        if not isinstance(history, PackHistory):
            continue
        moment = history.topups[-1].time + timedelta(days=1)
        try:
            forecast = forecaster.forecast(history, moment)
        except TideoverError:
            continue
        assert forecast.block == history.topups[-1].blocks[0]
        told += 1
    assert told > 20


def test_a_family_that_only_the_model_knows_is_forecast_in_bulk_too(small_cohort, forecaster):
    tables = small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:40])
    unknown = replace(tables, families={})
    one, other = (forecaster.forecast_each(t, None)[0] for t in (tables, unknown))
    np.testing.assert_array_equal(one.survival, other.survival)


def test_property_what_is_refused_holds_on_to_no_tables(forecaster):
    """Else memory grows with every chunk: nobody looks for rubbish in cycles while one runs."""
    histories = [history_of_case(case["pack"], FAMILIES) for case in CASES]
    named = [{**history, "pack_id": f"CASE-{number}"} for number, history in enumerate(histories)]
    tables = tables_from_histories([PackHistory.model_validate(history) for history in named], FAMILIES)

    def alive() -> int:
        return sum(isinstance(thing, HistoryTables) for thing in gc.get_objects())

    gc.collect()
    before = alive()
    gc.disable()
    try:
        refused = forecaster.forecast_each(tables)[1]
        left = alive()
    finally:
        gc.enable()
    assert len(refused) > 10
    assert left == before
