"""One more reading at rest, for many looks at once: the same figures as if each were recorded, at a cost of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import models.features.added_reading as added_reading
from models.features.added_reading import with_reading
from models.features.inferred_topups import with_inferred_topups
from models.features.raw import raw_features
from models.packs.tables import HistoryTables, block_columns, known_at
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

DAYS_ASKED = (1, 4, 9)


@pytest.fixture(scope="module")
def packs():
    """Packs of invented worlds as known at one of their moments, each alone."""
    cohort = simulate_cohort(CohortPlan(40, 5, habits=WorkshopHabits(replaces=False)))
    rng = np.random.default_rng(5)
    moments = cohort.tables.readings.groupby("pack_id")["time"].apply(lambda t: t.iloc[rng.integers(len(t))])
    found = []
    for pack_id, origin in moments.items():
        moment = pd.DataFrame({"pack_id": [pack_id], "origin": [origin]})
        tables = with_inferred_topups(known_at(cohort.tables.of_packs([pack_id]), moment))[0]
        if len(tables.topups):
            found.append((tables, origin))
    return found


def many_times(tables: HistoryTables, count: int, rng: np.random.Generator) -> HistoryTables:
    """Readings a logger made: between those on record, of any state, each near one of them."""
    own = tables.readings.iloc[rng.integers(len(tables.readings), size=count)].reset_index(drop=True)
    first, last = tables.readings["time"].min(), tables.readings["time"].max()
    seconds = np.sort(rng.integers(0, int((last - first).total_seconds()) + 1, count))
    names = block_columns(own)
    own[names] = np.round(own[names] + 0.01 * rng.standard_normal((count, len(names))), 3)
    own["time"] = (first + pd.to_timedelta(seconds, unit="s")).astype(tables.readings["time"].dtype)
    both = pd.concat([tables.readings, own], ignore_index=True)
    return replace(tables, readings=both.sort_values("time", kind="stable", ignore_index=True))


def looks_at(tables: HistoryTables, rng: np.random.Generator) -> dict[int, np.ndarray]:
    """Drawn looks at every block, some of them with a block far down."""
    blocks = tables.families[tables.packs["family"].iloc[0]].blocks
    volts = float(np.nanmedian(tables.volts()))
    return {
        d: np.round(volts - rng.exponential(0.1, (5, blocks)) * rng.integers(0, 2, (5, blocks)), 3) for d in DAYS_ASKED
    }


def as_recorded(tables: HistoryTables, origin: pd.Timestamp, seen: dict[int, np.ndarray]) -> dict[str, np.ndarray]:
    """Read the pack anew for each look, with the look on record."""
    rows = []
    for day, volts in seen.items():
        then = origin + pd.Timedelta(days=day)
        for look in volts:
            new = tables.readings.iloc[:1].copy()
            new[:] = np.nan
            new = new.astype(tables.readings.dtypes)
            new["pack_id"], new["time"], new["state"] = tables.packs["pack_id"].iloc[0], then, "rest"
            new[block_columns(new)[: len(look)]] = look[None, : len(block_columns(new))]
            both = pd.concat([tables.readings, new.astype(tables.readings.dtypes)], ignore_index=True)
            moment = pd.DataFrame({"pack_id": new["pack_id"], "origin": [then]})
            rows.append(raw_features(replace(tables, readings=both), moment).columns)
    return {name: np.concatenate([row[name] for row in rows]) for name in rows[0]}


@pytest.mark.parametrize("more", [0, 300])
def test_parity_with_a_look_on_record(packs, more):
    rng = np.random.default_rng(more)
    for tables, origin in packs[:: 2 if more else 4]:
        full = many_times(tables, more, rng) if more else tables
        seen = looks_at(full, rng)
        mine = with_reading(full, origin, seen).columns
        for name, theirs in as_recorded(full, origin, seen).items():
            np.testing.assert_allclose(mine[name], theirs, rtol=1e-9, atol=1e-9, err_msg=name)


def test_property_what_lies_beside_a_look_does_not_grow_with_the_readings(packs, monkeypatch):
    """After 10,000 readings every look was laid beside all of them: 20 GB, and no answer."""
    rows = []
    whole = added_reading.packs_with_reading

    def watched(tables, origin, seen):
        laid, moments = whole(tables, origin, seen)
        rows.append(len(laid.readings) / len(moments))
        return laid, moments

    monkeypatch.setattr(added_reading, "packs_with_reading", watched)
    rng = np.random.default_rng(1)
    tables, origin = packs[0]
    seen = {day: looks_at(tables, rng)[1] for day in range(1, 9)}
    for more in (50, 4000):
        with_reading(many_times(tables, more, rng), origin, seen)
    assert max(rows) < 100, rows
