"""Files into the store and out again: whole or not at all, every fault named by file, row and column."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime

import pytest
from pydantic import ValidationError

from models.base.errors import BadInput
from models.packs.tables import history_of
from service.exchange.exports.tables import export_all
from service.exchange.imports.guess import understand
from service.exchange.imports.loading import import_files
from service.exchange.imports.mapping import mapping_of, read_mapping
from service.records.history import history_of_pack
from service.records.versions import Writer
from service.store.schema import AuditEntry, Outcome, Pack, Reading, TopUp
from service.store.upgrading import open_store
from tests.service.store.backends import ON_SQLITE
from training.files.families import load_families
from training.files.tables import COLUMNS, read_tables
from training.files.units import scale_of
from training.simulation.marrow_bay import write_fleet

FAMILIES = load_families(None)
WRITER = Writer("test", datetime(2026, 8, 1, tzinfo=UTC))


@pytest.fixture(scope="module")
def fleet_folder(tmp_path_factory):
    """The invented fleet of Marrow Bay as documented CSV tables."""
    folder = tmp_path_factory.mktemp("fleet")
    write_fleet(folder)
    return folder


def taken(store, path, **options):
    return import_files(store, path, FAMILIES, WRITER, **options)


def count(store, table):
    with store.reading() as session:
        return session.query(table).count()


def write(path, rows):
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(rows)


@pytest.fixture
def folder(tmp_path):
    """Two packs of a family with 14 blocks, one top-up each."""
    folder = tmp_path / "tables"
    folder.mkdir()
    write(
        folder / "packs.csv",
        [["pack_id", "family", "age_years", "odometer_km"], ["A", "gravel-14", "9", ""], ["B", "gravel-14", "", ""]],
    )
    head = ["pack_id", "time", "state", "current_a", "temperature_c", *(f"block_{b}_v" for b in range(1, 15))]
    write(
        folder / "readings.csv",
        [head, *([p, f"2026-03-0{d}T08:00:00Z", "rest", "0", "", *["13.0"] * 14] for p in "AB" for d in (1, 2))],
    )
    head = [
        "pack_id",
        "time",
        "blocks",
        "charge_ah",
        "end_v",
        "duration_h",
        "rest_before_v",
        "rest_after_v",
        "rest_after_h",
    ]
    write(folder / "topups.csv", [head, *([p, "2026-03-03T08:00:00Z", "5 6", "1.2", *[""] * 5] for p in "AB")])
    write(
        folder / "outcomes.csv",
        [["pack_id", "time", "kind", "code", "odometer_km"], ["A", "2026-03-09T08:00:00Z", "returned", "P0A80", ""]],
    )
    return folder


def edit(path, row, column, value):
    rows = list(csv.reader(path.read_text().splitlines()))
    rows[row - 1][rows[0].index(column)] = value
    write(path, rows)


def test_every_history_of_the_fleet_is_the_same_in_files_and_in_the_store(store, fleet_folder):
    report = taken(store, fleet_folder)
    assert report.stored, report.faults[:5]
    assert report.read == report.taken
    tables = read_tables(fleet_folder, FAMILIES)
    with store.reading() as session:
        for pack_id in tables.packs["pack_id"]:
            assert history_of_pack(session, pack_id) == history_of(tables, pack_id)
    assert count(store, AuditEntry) == 1


EACH_FORM_AND_DATABASE = pytest.mark.parametrize(
    ("backend", "form"), [("sqlite", "parquet"), ("postgresql", "csv")], indirect=["backend"]
)
"""Rows are read the same for every form, and written the same from every database."""


@EACH_FORM_AND_DATABASE
def test_what_is_exported_can_be_imported_and_is_the_same(store, fleet_folder, form, tmp_path):
    taken(store, fleet_folder)
    with store.reading() as session:
        counts = export_all(session, tmp_path / "out", form, FAMILIES)
    assert counts["readings"] == count(store, Reading)
    second = open_store(tmp_path / "second")
    assert taken(second, tmp_path / "out").stored
    with store.reading() as one, second.reading() as two:
        for pack in one.query(Pack):
            assert history_of_pack(one, pack.id) == history_of_pack(two, pack.id)
    second.close()


TOLD = (21.5, None, *[20.125] * 11, 38.0)


@EACH_FORM_AND_DATABASE
def test_resistances_of_the_blocks_go_in_and_out_as_they_were_told(store, folder, tmp_path, form):
    rows = list(csv.reader((folder / "readings.csv").read_text().splitlines()))
    rows[0] += ["resistance_mohm", "log_rows", "log_error_v"]
    rows[1] += ["21.5 nan " + " ".join(["20.125"] * 11) + " 38", "7200", "0.0004"]
    rows[2:] = [[*row, "", "", ""] for row in rows[2:]]
    write(folder / "readings.csv", rows)
    assert taken(store, folder).faults == []
    with store.reading() as session:
        export_all(session, tmp_path / "out", form, FAMILIES)
        found = history_of_pack(session, "A")
    assert [r.resistance_mohm for r in found.readings] == [TOLD, None]
    assert (found.readings[0].log_rows, found.readings[0].log_error_v) == (7200, 0.0004)
    assert history_of(read_tables(tmp_path / "out", FAMILIES), "A") == found
    again = open_store(tmp_path / "again")
    for name in ("packs", "readings", "topups"):
        assert taken(again, tmp_path / "out" / f"{name}.{form}").faults == []
    with again.reading() as session:
        assert history_of_pack(session, "A").readings == found.readings
    again.close()


@pytest.mark.parametrize("wrong", ["21.5 x", "21.5 22", "-3 " + " ".join(["21"] * 13), "21,5 " + " ".join(["21"] * 13)])
def test_resistances_that_are_no_list_of_one_for_each_block_are_refused(store, folder, wrong):
    rows = list(csv.reader((folder / "readings.csv").read_text().splitlines()))
    rows[0].append("resistance_mohm")
    rows[1].append(wrong)
    rows[2:] = [[*row, ""] for row in rows[2:]]
    write(folder / "readings.csv", rows)
    report = taken(store, folder)
    assert [(fault.row, fault.file) for fault in report.faults] == [(2, "readings.csv")]
    with pytest.raises((BadInput, ValidationError)):
        history_of(read_tables(folder, FAMILIES), "A")


def test_exported_tables_are_the_documented_ones(store, fleet_folder, tmp_path):
    taken(store, fleet_folder)
    with store.reading() as session:
        export_all(session, tmp_path / "out", "csv", FAMILIES)
    tables = read_tables(tmp_path / "out", FAMILIES)
    with store.reading() as session:
        for pack_id in tables.packs["pack_id"]:
            assert history_of_pack(session, pack_id) == history_of(tables, pack_id)


def without_column(folder, table, column):
    path = folder / f"{table}.csv"
    rows = list(csv.reader(path.read_text().splitlines()))
    kept = [place for place, heading in enumerate(rows[0]) if heading != column]
    write(path, [[row[place] for place in kept] for row in rows])


@ON_SQLITE
@pytest.mark.parametrize(("table", "column"), [(t, c) for t, columns in COLUMNS.items() for c in columns])
def test_parity_a_column_left_out_is_fine_for_import_and_forecast_or_for_neither(store, folder, table, column):
    write(folder / "usage.csv", [COLUMNS["usage"], ["A", "2026-03-02T09:00:00Z", "22", "2", "17", ""]])
    without_column(folder, table, column)
    if column in ("pack_id", "family", "time", "state", "blocks", "kind"):
        with pytest.raises(BadInput, match=f"lacks the column {column}"):
            read_tables(folder, FAMILIES)
        with pytest.raises(BadInput, match=f"lacks the column {column}"):
            taken(store, folder)
        return
    assert taken(store, folder).stored
    with store.reading() as session:
        assert history_of_pack(session, "A") == history_of(read_tables(folder, FAMILIES), "A")


FAULTS = {
    "text for a number": ("readings", 3, "block_4_v", "13,1", "'13,1' cannot be read"),
    "an impossible voltage": ("readings", 3, "block_4_v", "99", "99 V is impossible"),
    "millivolts": ("readings", 3, "block_4_v", "13100", "millivolts"),
    "no offset": ("readings", 3, "time", "2026-03-02T08:00:00", "no offset"),
    "no time": ("readings", 3, "time", "yesterday", "cannot be read"),
    "unknown state": ("readings", 3, "state", "asleep", "'rest', 'discharge' or 'charge'"),
    "wrong sign": ("readings", 3, "current_a", "20", "20 A flow out of the pack, but the state is while charging"),
    "unknown pack": ("readings", 3, "pack_id", "C", "neither stored nor in this import"),
    "the same moment twice": ("readings", 3, "time", "2026-03-01T08:00:00Z", "there already"),
    "unknown family": ("packs", 3, "family", "granite-99", "'granite-99' is not known"),
    "a pack twice": ("packs", 3, "pack_id", "A", "there already"),
    "a block too many": ("topups", 3, "blocks", "15", "Block 15 is named"),
    "outcome before top-up": ("outcomes", 2, "time", "2026-03-02T08:00:00Z", "before the pack's first top-up"),
    "unknown kind": ("outcomes", 2, "kind", "vanished", "'returned'"),
}


@pytest.mark.parametrize("case", FAULTS)
def test_a_bad_row_is_named_and_nothing_is_stored(store, folder, case):
    name, row, column, value, reason = FAULTS[case]
    edit(folder / f"{name}.csv", row, column, value)
    if case == "wrong sign":
        edit(folder / f"{name}.csv", row, "state", "charge")
    report = taken(store, folder)
    fault = report.faults[0]
    assert (fault.file, fault.row) == (f"{name}.csv", row)
    assert fault.column in ("", column), "empty where the fault lies between columns"
    assert reason in fault.reason
    assert fault.mend
    assert not report.stored
    assert count(store, Pack) == count(store, Reading) == count(store, AuditEntry) == 0


def test_every_bad_row_is_listed_and_the_good_ones_can_be_kept(store, folder):
    edit(folder / "readings.csv", 2, "block_1_v", "x")
    edit(folder / "readings.csv", 5, "block_9_v", "nan")
    report = taken(store, folder, keep_good=True)
    assert [(f.row, f.column) for f in report.faults] == [(2, "block_1_v"), (5, "block_9_v")]
    assert report.stored
    assert report.taken["readings"] == count(store, Reading) == 2


def test_what_looks_like_a_slip_is_taken_and_listed(store, folder, tideover, tmp_path):
    """14 Ah into a block of 5.5 Ah came in without a word; the page of the bench asks about it."""
    edit(folder / "readings.csv", 2, "block_1_v", "1.29")
    edit(folder / "topups.csv", 3, "charge_ah", "14")
    edit(folder / "outcomes.csv", 2, "code", "lamp")
    report = taken(store, folder)
    assert report.stored
    assert report.faults_in_all == 0
    found = [(doubt.file, doubt.row, doubt.column) for doubt in report.doubts]
    assert found == [("readings.csv", 2, "block_1_v"), ("topups.csv", 3, "charge_ah"), ("outcomes.csv", 2, "code")]
    assert report.doubts_in_all == 3
    told = tideover("import", str(folder), "--dry-run", env={"TIDEOVER_HOME": str(tmp_path / "home")})
    assert "Look at topups.csv row 3 column charge_ah: 14 Ah is more than a block of this pack holds." in told.stdout


def test_a_charge_before_the_readings_that_found_its_block_is_listed(store, tmp_path):
    """A charge entered 20 hours early came in without a word, as it did at every other door."""
    volts = [13.0, 13.01, 13.02, 12.99, 12.82, 13.02, 13.01, 12.99, 13.0, 13.0, 12.99, 13.0, 13.03, 13.03]
    history = {
        "pack_id": "MB-P-EARLY",
        "family": "gravel-14",
        "readings": [{"time": "2026-03-02T08:00:00Z", "state": "rest", "block_v": volts}],
        "topups": [{"time": "2026-03-01T12:00:00Z", "blocks": [5], "charge_ah": 1.1}],
    }
    file = tmp_path / "early.json"
    file.write_text(json.dumps(history | {"id": "MB-P-EARLY"}), encoding="utf-8")
    report = taken(store, file)
    assert report.stored
    (doubt,) = report.doubts
    assert "in which block 5 still rests lowest." in doubt.reason


def test_a_dry_run_finds_the_same_and_stores_nothing(store, folder):
    report = taken(store, folder, dry_run=True)
    assert report.taken == {"packs": 2, "readings": 4, "topups": 2, "outcomes": 1}
    assert report.faults_in_all == 0
    assert not report.stored
    assert count(store, Pack) == 0
    assert taken(store, folder).stored


def test_an_import_again_lists_every_row_as_there_already(store, folder):
    assert taken(store, folder).stored
    again = taken(store, folder)
    assert again.faults_in_all == 9
    assert all("there already" in fault.reason for fault in again.faults)
    assert count(store, Reading) == 4


def test_two_open_topups_are_listed_and_the_later_one_left_out(store, folder):
    with (folder / "topups.csv").open("a", newline="") as file:
        csv.writer(file).writerows(
            [["B", "2026-03-05T08:00:00Z", "5", *[""] * 6], ["A", "2026-03-10T08:00:00Z", "5", *[""] * 6]]
        )
    report = taken(store, folder, keep_good=True)
    (fault,) = report.faults
    assert (fault.file, fault.row) == ("topups.csv", 4)
    assert "is still open" in fault.reason
    with store.reading() as session:
        assert {(t.pack_id, t.time.day) for t in session.query(TopUp)} == {("A", 3), ("B", 3), ("A", 10)}


def test_an_outcome_that_comes_later_closes_the_topup_of_an_earlier_import(store, folder, tmp_path):
    assert taken(store, folder).stored
    rows = [["pack_id", "time", "kind", "code", "odometer_km"], ["B", "2026-03-08T08:00:00Z", "running", "", ""]]
    write(tmp_path / "outcomes.csv", rows)
    assert taken(store, tmp_path / "outcomes.csv").stored
    assert count(store, Outcome) == 2


def test_histories_as_json(store, van_case, tmp_path):
    path = tmp_path / "histories.jsonl"
    path.write_text(json.dumps(van_case["history"]) + "\n[]\n")
    report = taken(store, path, keep_good=True)
    assert [(f.row, f.reason) for f in report.faults] == [(2, "It is no history.")]
    with store.reading() as session:
        assert history_of_pack(session, "MB-VAN-07").model_dump(mode="json") == {
            **history_of_pack(session, "MB-VAN-07").model_dump(mode="json"),
            **{k: v for k, v in van_case["history"].items() if k in ("pack_id", "family", "age_years", "odometer_km")},
        }
    assert count(store, Reading) == len(van_case["history"]["readings"])


# Named oddly on purpose: the blocks are out of order, and every unit is another one.
LOGGER = (
    "Time;Current [mA];Temp °F;mV U2;mV U1;mV U10;mV U3;mV U4;mV U5;mV U6;mV U7;"
    "mV U8;mV U9;mV U11;mV U12;mV U13;mV U14\n"
    "05.01.2026 12:00:00;-18800,5;212,0;12020,5;12010;12100;12030;12040;12050;12060;"
    "12070;12080;12090;12110;12120;12130;12140\n"
    "01.07.2026 12:00:00;0;32;13020;13010;13100;13030;13040;13050;13060;13070;13080;"
    "13090;13110;13120;13130;13140\n"
)


def test_a_loggers_file_is_guessed_confirmed_and_imported(store, tmp_path):
    """Zone: IANA time zone database, the Azores are at -1 h in winter and at 0 h in summer."""
    path = tmp_path / "log.csv"
    path.write_text(LOGGER)
    found = understand(path)
    text, questions = found.as_toml(), [question.text for question in found.questions]
    assert any("time zone" in q for q in questions)
    assert any("Which pack" in q for q in questions)
    unanswered = tmp_path / "guess.toml"
    unanswered.write_text(text)
    with store.writing() as session:
        session.add(Pack(id="MB-VAN-07", family="gravel-14", recorded_at=WRITER.at, recorded_by="t"))
    with pytest.raises(BadInput, match="Which pack"):
        read_mapping(unanswered)
    answered = text.replace('pack_id = ""', 'pack_id = "MB-VAN-07"').replace('zone = ""', 'zone = "Atlantic/Azores"')
    answered = answered.replace('discharge = "positive"', 'discharge = "negative"')
    unanswered.write_text(answered[: answered.index("[unanswered]")])
    report = taken(store, path, mapping=read_mapping(unanswered))
    assert report.stored, report.faults
    with store.reading() as session:
        first, second = session.query(Reading).order_by(Reading.time)
    assert first.time == datetime(2026, 1, 5, 13, tzinfo=UTC)
    assert second.time == datetime(2026, 7, 1, 12, tzinfo=UTC)
    assert (first.state, second.state) == ("discharge", "rest")
    assert first.current_a == pytest.approx(18.8005)
    assert (first.temperature_c, second.temperature_c) == (pytest.approx(100), pytest.approx(0))
    assert first.block_v == pytest.approx([12.01, 12.0205, *(12.0 + b / 100 for b in range(3, 15))])


@pytest.mark.parametrize(("written", "what"), [("29.03.2026 00:30:00", "skipped"), ("25.10.2026 00:30:00", "twice")])
def test_an_hour_that_the_clock_skipped_or_showed_twice_is_a_fault(store, tmp_path, written, what):
    """IANA time zone database: the Azores change their clocks on 29 March and 25 October 2026, around midnight."""
    content = {
        "blocks": ["a", "b"],
        "columns": {"time": "t"},
        "fixed": {"pack_id": "P", "state": "rest"},
        "time": {"format": "%d.%m.%Y %H:%M:%S", "zone": "Atlantic/Azores"},
    }
    write(tmp_path / "log.csv", [["t", "a", "b"], [written, "1", "2"]])
    (fault,) = taken(store, tmp_path / "log.csv", mapping=mapping_of(content, "m")).faults
    assert fault.column == "t"
    assert what in fault.reason


@pytest.mark.parametrize(
    ("column", "unit", "value", "ours"),
    [
        ("temperature_c", "F", 212, 100),
        ("temperature_c", "F", -40, -40),
        ("temperature_c", "K", 273.15, 0),
        ("odometer_km", "mi", 26.21875, 42.195),
        ("block_v", "mV", 14400, 14.4),
        ("duration_h", "min", 90, 1.5),
    ],
)
def test_units(column, unit, value, ours):
    """NIST SP 811, appendix B; a marathon of 26 miles 385 yards is 42.195 km (26 + 385/1760 miles)."""
    factor, offset = scale_of(column, unit)
    assert value * factor + offset == pytest.approx(ours, abs=1e-3)


def test_an_unknown_unit_or_column_is_refused(tmp_path, store):
    base = {"blocks": ["a", "b"], "columns": {"time": "t"}, "fixed": {"pack_id": "P", "state": "rest"}}
    for wrong, what in (
        ({"units": {"block_v": "kV"}}, "'kV' is not known"),
        ({"columns": {"time": "t", "colour": "c"}}, "There is no column colour in readings"),
        ({"time": {"zone": "Mars/Olympus"}}, "'Mars/Olympus' is not known"),
        ({"fixed": {"state": "rest"}}, "Nothing says what pack_id is"),
    ):
        with pytest.raises(BadInput, match=what):
            mapping_of(base | wrong, "m")
    (tmp_path / "log.csv").write_text("t,a\n")
    with pytest.raises(BadInput, match="There is no column 'b'"):
        taken(store, tmp_path / "log.csv", mapping=mapping_of(base, "m"))


@pytest.mark.parametrize(
    ("name", "content", "what"),
    [
        ("readings.csv", b"pack_id,time\n\xff\xfe\n", "cannot be read as CSV"),
        ("readings.parquet", b"PAR1 not", "not a Parquet file"),
        ("strange.csv", b"a,b\n1,2\n", "does not say which table"),
        ("readings.csv", b"pack_id,time,state,block_1_v,block_3_v\n", "not numbered one by one"),
        ("readings.csv", b"pack_id,time,state,colour,block_1_v,block_2_v\n", "no column of the documented tables"),
        ("x.json", b"{", "not JSON"),
    ],
)
def test_a_file_that_cannot_be_read_at_all_is_said(store, tmp_path, name, content, what):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(BadInput, match=what):
        taken(store, tmp_path / name)
