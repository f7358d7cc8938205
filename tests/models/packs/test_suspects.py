"""Nothing that a single history is refused for passes the columns: every field, read off the schema."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from models.packs.fields import columns_of
from models.packs.history import PackHistory
from models.packs.suspects import screened
from models.packs.tables import FACTS, histories_of

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
