"""Parity: a forecast from the documented tables and an import of them take the same fields, for the same values."""

from __future__ import annotations

import csv
import shutil
from datetime import UTC, datetime

import pytest
from pydantic import ValidationError

from models.base.errors import BadInput
from models.packs.tables import history_of
from service.exchange.imports.loading import import_files
from service.records.history import history_of_pack
from service.records.versions import Writer
from service.store.upgrading import open_store
from training.files.families import load_families
from training.files.tables import COLUMNS, read_tables

FAMILIES = load_families(None)
WRITER = Writer("test", datetime(2026, 11, 14, tzinfo=UTC))
BLOCKS = {f"block_{b}_v": "13.0" for b in range(1, 15)}
ROWS = {
    "packs": {"family": "gravel-14", "age_years": "9.5"},
    "readings": {"time": "2026-03-01T08:00:00Z", "state": "rest", **BLOCKS},
    "topups": {"time": "2026-03-01T12:00:00Z", "blocks": "3", "charge_ah": "1.5"},
    "usage": {"time": "2026-03-01T12:30:00Z", "km_per_day": "30"},
    "outcomes": {"time": "2026-03-20T12:30:00Z", "kind": "returned"},
}
"""One invented row a table."""

NUMBERS = (
    *(
        "",
        "1",
        " 1.5 ",
        "1e1",
        ".5",
        "5.",
        "+1",
        "-1",
        "1.5 km",
        "1500 m",
        "1 V",
        "1500mV",
        "1,5",
        "1_0",
        "１",
        "1 000",
    ),
    *("nan", "inf", "-Infinity", "0x10", "1e400", "--", "None", "true"),
)
TIMES = (
    *(
        "2026-03-01 08:00:00Z",
        "2026-03-01T08:00Z",
        "20260301T080000Z",
        "2026-03-01T08:00:00+0100",
        "2026-W09-7T08:00:00Z",
    ),
    *(
        "2026-03-01T08:00:00+01",
        "2026-03-01T08:00:00,5Z",
        " 2026-03-01T08:00:00Z ",
        "2026-03-01T08:00:00",
        "2026-03-01",
    ),
    *("01.03.2026 08:00", "1772352000", "2026-02-30T08:00:00Z", "1700-03-01T08:00:00Z", "9999-03-01T08:00:00Z", ""),
)
SLIPS = [
    *(("readings", "time", text) for text in TIMES),
    *(("readings", "block_3_v", text) for text in NUMBERS),
    *(("usage", "km_per_day", text) for text in NUMBERS),
    *(("packs", "age_years", text) for text in NUMBERS[:8]),
    *(
        ("topups", "blocks", text)
        for text in ("1 3", "3,4", "3, 4", " 1  3 ", "03", "0", "15", "-1", "3.0", "a", "", "1 1", "3;4")
    ),
    *(
        ("readings", "resistance_mohm", text)
        for text in ("20 " * 14, "20 " * 13 + "nan", "1 2", "20," * 14, "-1 " * 14, "x")
    ),
    *(("readings", "state", text) for text in (" rest ", "Rest", "idle", "")),
    *(("outcomes", "kind", text) for text in ("running", "Returned", "")),
    *(("packs", "family", text) for text in (" gravel-14 ", "gravel", "")),
    *(("readings", "pack_id", text) for text in (" P1 ", "P2", "")),
]


class TakeBack(Exception):
    pass


@pytest.fixture(scope="module")
def store(tmp_path_factory, empty_store_file):
    home = tmp_path_factory.mktemp("home")
    shutil.copy(empty_store_file, home)
    store = open_store(home)
    yield store
    store.close()


@pytest.mark.parametrize(("table", "column", "text"), SLIPS)
def test_both_take_a_field_for_the_same_or_refuse_it(store, tmp_path, table, column, text):
    rows = {name: {**dict.fromkeys(COLUMNS[name], ""), "pack_id": "P1", **row} for name, row in ROWS.items()}
    rows[table][column] = text
    for name, row in rows.items():
        with (tmp_path / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows([row.keys(), row.values()])
    stored = []

    def noted(session, _report):
        stored.append(history_of_pack(session, "P1"))
        raise TakeBack

    try:
        read = history_of(read_tables(tmp_path, FAMILIES), "P1")
    except (BadInput, ValidationError):
        read = None
    try:
        report = import_files(store, tmp_path, FAMILIES, WRITER, at_end=noted)
        assert report.faults[0].mend
    except TakeBack:
        pass
    assert stored == ([] if read is None else [read])
