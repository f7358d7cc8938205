"""Columns that tell which charges need no second look: whatever warns of one is among those that they name."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

from models.features.derived import derive, surplus_share
from models.features.raw import raw_features
from models.forecasts.charge_flags import flags_of_charges
from models.forecasts.earlier_charges import _WARNED, flags_of_earlier_charges
from models.forecasts.newest_topups import NewestTopUps
from models.forecasts.noted import charges_noted_in
from models.forecasts.suspect_charges import may_warn
from models.packs.history import PackHistory
from models.packs.tables import (
    HistoryTables,
    from_days,
    known_at,
    last_facts,
    tables_from_histories,
)
from tests.cases.harmed import harmed
from tests.cases.packs import history_of_case
from training.files.families import load_families

FAMILIES = load_families()


def warned(tables: HistoryTables, row: int, until: float) -> list[str]:
    """Codes that one charge is warned of, as a forecast of that moment would."""
    then = pd.DataFrame({"pack_id": [tables.topups["pack_id"].iloc[row]], "origin": from_days(np.array([until]))})
    known = known_at(tables, then)
    raw = raw_features(known, then)
    (flags,) = flags_of_charges(derive(raw), surplus_share(raw), charges_noted_in(known, then))
    return [flag.code for flag in flags if flag.grave and flag.code in _WARNED]


def every_charge(tables: HistoryTables) -> tuple[NewestTopUps, np.ndarray, np.ndarray]:
    """Charges of some tables, and the second before the next one of each; those of one moment but the last left out."""
    newest = NewestTopUps(tables, tables.pack_index())
    owner, day = newest.owner("topups"), tables.days("topups")
    rows = np.lexsort((day, owner))
    following = np.append(np.where(np.diff(owner[rows]) == 0, day[rows][1:], np.inf), np.inf)
    until = np.round(np.minimum(following - 1 / 86400, day[rows] + 400) * 86400) / 86400
    kept = until >= day[rows]
    return newest, rows[kept], until[kept]


def test_property_no_charge_that_is_warned_of_is_passed_over(small_cohort):
    tables = harmed(small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:120]), seed=1)
    newest, rows, until = every_charge(tables)
    named = may_warn(newest, rows, until)
    found: set[str] = set()
    for row, end, suspect in zip(rows, until, named, strict=True):
        codes = warned(newest.tables, int(row), float(end))
        assert suspect or not codes, (int(row), codes)
        found.update(codes)
    assert found == set(_WARNED)
    assert not named.all()


def test_most_sound_charges_are_passed_over(small_cohort):
    newest, rows, until = every_charge(small_cohort.tables)
    assert may_warn(newest, rows, until).mean() < 0.5


def test_a_second_look_at_every_charge_finds_nothing_more(small_cohort, monkeypatch):
    cases = [json.loads(line) for line in Path("tests/cases/bench/stops.jsonl").read_text().splitlines()]
    histories = [PackHistory.model_validate(history_of_case(case["pack"], FAMILIES)) for case in cases]
    named = [history.model_copy(update={"pack_id": f"CASE-{number}"}) for number, history in enumerate(histories)]
    some = small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:200])
    every = (tables_from_histories(named, FAMILIES), harmed(some, seed=2))
    told = [flags_of_earlier_charges(tables, last_facts(tables)) for tables in every]
    monkeypatch.setattr(
        "models.forecasts.earlier_charges.may_warn", lambda newest, rows, until: np.ones(len(rows), dtype=np.bool_)
    )
    assert [flags_of_earlier_charges(tables, last_facts(tables)) for tables in every] == told
    assert any(told[1])
