"""Nothing that a single history is refused for passes the columns: every field, read off the schema."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from models.packs.fields import columns_of
from models.packs.history import LOOKED, PackHistory
from models.packs.screens import screened
from models.packs.stops import stops_of
from models.packs.tables import FACTS, block_columns, histories_of

STRANGE = {
    "text": ("elsewhere", "#*", "x", "SOUND", "x" * 65),
    "time": (pd.Timestamp("1980-01-01", tz="UTC"), pd.Timestamp("2150-01-01", tz="UTC")),
    "number": (-1e9, 1e9, -0.5, np.inf),
    "list": ("x y", "0", "3 3"),
}

FIELDS = [
    (table, column)
    for table, fact in {**FACTS, "packs": PackHistory}.items()
    for column in columns_of(fact, without=frozenset(FACTS))
    if column.name != "pack_id"
]


@pytest.mark.parametrize(("table", "column"), FIELDS, ids=[f"{table}.{column.name}" for table, column in FIELDS])
def test_a_value_that_a_history_is_refused_for_is_held_up(small_cohort, table, column):
    """A word in capitals, a code without its state and a year 1980 passed the columns."""
    tables = small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:60])
    refused = 0
    for value in STRANGE[column.kind]:
        frame = getattr(tables, table).copy()
        values = frame[column.name].astype(object) if column.kind in ("text", "list") else frame[column.name].copy()
        values.loc[frame.index[::5]] = value
        frame[column.name] = values
        if column.kind == "time":
            frame = frame.sort_values("time", kind="stable", ignore_index=True)
        spoiled = replace(tables, **{table: frame})
        bad = np.array([isinstance(history, ValidationError) for history in histories_of(spoiled)])
        assert not (bad & ~screened(spoiled, spoiled).unsound).any(), value
        refused += bad.sum()
    # Of families and lists of blocks more is refused, by what the family can be: `test_forecast_each`.
    assert refused or (table, column.name) == ("packs", "family")


def test_nothing_that_stops_a_pack_passes_the_columns_and_few_packs_are_asked_for_nothing(small_cohort):
    """Of the packs held up a quarter was asked for nothing: cold before a charge, or a low block that was charged."""
    tables = small_cohort.tables
    held, found = asked_and_stopped(tables)
    assert all(stops <= codes for codes, stops in zip(held, found, strict=True))
    asked = [bool(stops) for codes, stops in zip(held, found, strict=True) if codes]
    assert len(asked) > 30
    assert np.mean(asked) > 0.85


@pytest.mark.parametrize("seed", range(4))
def test_nothing_that_stops_a_pack_passes_the_columns_however_its_history_was_bent(small_cohort, seed):
    """Charges at the very edge of a window, several in a visit, in the frost, looked at, returned, swapped."""
    rng = np.random.default_rng(seed)
    tables = bent(small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:150]), rng)
    held, found = asked_and_stopped(tables)
    for codes, stops in zip(held, found, strict=True):
        assert stops <= codes
    told = {code for stops in found for code in stops}
    assert {"charged-cold", "charged-hot", "wrong-block"} <= told


@pytest.mark.parametrize("year", [1960, 5000])
def test_a_pack_with_an_absurd_date_disturbs_no_other(small_cohort, year):
    tables = small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:200])
    one = tables.packs["pack_id"].iloc[100]
    strange = tables.readings["time"].astype("datetime64[us, UTC]")
    strange[tables.readings["pack_id"] == one] = pd.Timestamp(f"{year}-01-01", tz="UTC", unit="us")
    spoiled = replace(tables, readings=tables.readings.assign(time=strange))
    others = (tables.packs["pack_id"] != one).to_numpy()
    before, after = screened(tables, tables), screened(spoiled, spoiled)
    assert after.unsound[~others].all()
    for code, held in before.stops.items():
        np.testing.assert_array_equal(after.stops[code][others], held[others], err_msg=code)


def asked_and_stopped(tables):
    """Return of each sound pack the stops that columns leave to be asked, and those that end everything."""
    screen = screened(tables, tables)
    codes = iter(screen.codes())
    held = [next(codes) if up else frozenset() for up in screen.held_up]
    kept, found = [], []
    for mine, history in zip(held, histories_of(tables), strict=True):
        if mine is not None and not isinstance(history, ValidationError):
            stops = stops_of(history, tables.families[history.family])
            kept.append(mine)
            found.append({stop.code for stop in stops if stop.ends == "everything"})
    return kept, found


def bent(tables, rng):
    """Move charges to the edges of what is asked of them, and note other blocks, temperatures, looks and outcomes."""
    readings, topups = tables.readings.copy(), tables.topups.copy()
    edges = [pd.Timedelta(d) for d in ("0s", "1s", "-1s", "1h", "3601s", "-1h", "1D", "86401s", "4D", "-4D", "345601s")]
    by_pack = readings.groupby("pack_id", sort=False)["time"].apply(list)
    again = topups[rng.random(len(topups)) < 0.4].copy()
    topups = pd.concat([topups, again], ignore_index=True)
    for row in np.flatnonzero(rng.random(len(topups)) < 0.7):
        times = by_pack.get(topups.loc[row, "pack_id"])
        if times is not None:
            hours = topups.loc[row, "duration_h"]
            length = pd.Timedelta(hours=0.0 if np.isnan(hours) else hours) * int(rng.integers(2))
            topups.loc[row, "time"] = rng.choice(times) + length + edges[rng.integers(len(edges))]
    other = rng.random(len(topups)) < 0.4
    topups.loc[other, "blocks"] = [str(b) for b in rng.integers(1, 15, other.sum())]
    topups.loc[rng.random(len(topups)) < 0.3, "duration_h"] = np.nan
    topups.loc[rng.random(len(topups)) < 0.1, "also_done"] = "module-swapped"
    warmth = rng.random(len(readings))
    readings.loc[warmth < 0.2, "temperature_c"] = -4.0
    readings.loc[warmth > 0.95, "temperature_c"] = 48.0
    readings.loc[rng.random(len(readings)) < 0.4, "temperature_c"] = np.nan
    readings["inspected"] = readings["inspected"].astype(object)
    readings.loc[rng.random(len(readings)) < 0.1, "inspected"] = rng.choice([*LOOKED, "cells"])
    columns = block_columns(readings)
    volts = readings[columns].to_numpy(np.float64)
    rows = np.flatnonzero(rng.random(len(readings)) < 0.3)
    volts[rows, rng.integers(0, 14, len(rows))] += rng.choice([-0.5, -0.3, 0.3, 0.6], len(rows))
    readings[columns] = volts
    readings, topups = (f.sort_values("time", kind="stable", ignore_index=True) for f in (readings, topups))
    return replace(tables, readings=readings, topups=topups)
