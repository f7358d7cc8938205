"""A store leaves as files and comes in again: every table of an export is taken, or named with what to do."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.exchange.exports.tables import EXPORTS, export_all
from service.exchange.imports.loading import import_files
from service.exchange.imports.mapping import DOCUMENTED
from service.records.records import create
from service.records.subjects.all_subjects import SUBJECTS
from service.records.versions import Writer, content_of
from service.store.upgrading import open_store
from training.files.families import load_families

FAMILIES = load_families(None)
WRITER = Writer("test", datetime(2026, 8, 1, tzinfo=UTC), sure="*")
LATER = Writer("test", datetime(2026, 8, 2, tzinfo=UTC))
BY_NAME = {subject.name: subject for subject in SUBJECTS}
MARCH = datetime(2026, 3, 2, 8, tzinfo=UTC)
OFFER = {
    "supplier_id": "north-quay",
    "family": "gravel-14",
    "currency": "EUR",
    "usual_days": 10,
    "quoted_at": MARCH,
    "price": 1500,
}
ORDER = {"supplier_id": "north-quay", "family": "gravel-14", "ordered_at": MARCH}
RECORDS: list[tuple[str, dict[str, Any]]] = [
    ("vehicles", {"id": "MB-VAN-07", "duty": "-parcel round", "site": None}),
    ("vehicles", {"id": "MB-VAN-08"}),
    ("packs", {"id": "MB-P-1", "family": "gravel-14"}),
    ("packs", {"id": "MB-P-2", "family": "gravel-14"}),
    ("assignments", {"pack_id": "MB-P-1", "vehicle_id": "MB-VAN-07", "since": MARCH, "until": None}),
    ("assignments", {"pack_id": "MB-P-2", "vehicle_id": "MB-VAN-08", "since": MARCH, "until": MARCH + timedelta(9)}),
    ("costs", {"id": "house", "currency": "EUR", "stranding": 600, "day_off_road": 60.5}),
    ("suppliers", {"id": "north-quay", "title": "North Quay Stores"}),
    ("offers", OFFER | {"price": 900}),
    ("offers", OFFER | {"express_fee": 80, "usual_days": 3, "earliest_days": 2, "latest_days": 6}),
    ("offers", OFFER),
    ("deliveries", ORDER | {"pack_id": "MB-P-1", "express": True, "offer_id": 2}),
    ("deliveries", ORDER | {"arrived_at": MARCH + timedelta(8)}),
    ("deliveries", ORDER | {"arrived_at": MARCH + timedelta(8)}),
]
"""Invented. The last two are two packs for the shelf, ordered and come on one day."""

OTHERS = ("vehicles", "assignments", "costs", "suppliers", "offers", "deliveries")


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """A store in which an offer was withdrawn, so that numbers in another will differ."""
    store = open_store(tmp_path_factory.mktemp("first"))
    with store.writing() as session:
        for name, content in RECORDS:
            create(session, BY_NAME[name], BY_NAME[name].new(**content), FAMILIES, WRITER)
    with store.writing() as session:
        session.delete(session.get(BY_NAME["offers"].table, 1))
    yield store
    store.close()


@pytest.fixture
def exported(first, tmp_path):
    with first.reading() as session:
        export_all(session, tmp_path / "out", "csv", FAMILIES)
    return tmp_path / "out"


@pytest.fixture(scope="module", params=["csv", "parquet"])
def again(first, tmp_path_factory, request):
    """Another store into which all of an export was taken in, and what was reported of it; not to be changed."""
    folder = tmp_path_factory.mktemp("again")
    with first.reading() as session:
        export_all(session, folder / "out", request.param, FAMILIES)
    store = open_store(folder / "second")
    yield store, taken(store, folder / "out")
    store.close()


@pytest.fixture
def second(tmp_path):
    store = open_store(tmp_path / "second")
    yield store
    store.close()


def contents(store, name):
    """Every record of a kind, an order with the price of its offer instead of the offer's number."""
    subject = BY_NAME[name]
    with store.reading() as session:
        found = []
        for row in session.query(subject.table).order_by(subject.table.id):
            content = content_of(subject, row) | ({"id": row.id} if subject.named else {})
            if content.get("offer_id") is not None:
                content["offer_id"] = session.get(BY_NAME["offers"].table, content["offer_id"]).express_fee
            found.append(content)
        return found


def taken(store, path, **options):
    return import_files(store, path, FAMILIES, LATER, **options)


def test_vehicles_assignments_costs_suppliers_offers_and_orders_come_in_again(first, again):
    """They were dropped, and "All rows are stored" was said."""
    second, report = again
    assert report.stored, report.faults
    assert {name: report.taken[name] for name in OTHERS} == {name: report.read[name] for name in OTHERS}
    for name in ("packs", *OTHERS):
        assert contents(second, name) == contents(first, name), name
    assert len(contents(second, "deliveries")) == 3


def test_what_is_not_taken_of_an_export_is_named_with_what_to_do(again):
    _, report = again
    names = {name.split(".")[0] for name in report.passed_over}
    assert names == {"audit", "earlier-versions", "issued-forecasts"} == set(EXPORTS) - set(DOCUMENTED) - set(OTHERS)
    assert all("tideover backup" in mend for mend in report.passed_over.values())


def test_a_file_that_is_none_of_the_tables_is_named(second, exported):
    (exported / "march.xlsx").write_bytes(b"anything")
    (exported / "notes.md").write_text("no file of data")
    report = taken(second, exported)
    assert "import it by itself" in report.passed_over["march.xlsx"]
    assert "notes.md" not in report.passed_over


def test_an_export_taken_in_twice_is_there_already_row_by_row(second, exported):
    assert taken(second, exported).stored
    again = import_files(second, exported, FAMILIES, Writer("test", LATER.at + timedelta(hours=1)))
    assert not again.stored
    assert again.faults_in_all == sum(again.read.values())
    assert {fault.reason for fault in again.faults if "there already" not in fault.reason} == set()


@pytest.mark.parametrize(
    ("table", "row", "column", "value", "reason"),
    [
        ("vehicles", 2, "id", "no name", "characters"),
        ("assignments", 2, "vehicle_id", "MB-CAB-99", "There is no 'MB-CAB-99' among the vehicles."),
        ("assignments", 2, "since", "2027-01-01T00:00:00Z", "in the future"),
        ("offers", 2, "currency", "EURO", "characters"),
        ("offers", 2, "price", "much", "number"),
        ("deliveries", 2, "offer_id", "77", "There is no row 77 among the offers of this import."),
        ("deliveries", 2, "pack_id", "MB-P-9", "There is no 'MB-P-9' among the packs."),
    ],
)
def test_a_bad_row_is_named_and_nothing_is_stored(second, exported, table, row, column, value, reason):
    path = exported / f"{table}.csv"
    rows = list(csv.reader(path.read_text().splitlines()))
    rows[row - 1][rows[0].index(column)] = value
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    report = taken(second, exported)
    assert not report.stored
    assert contents(second, "vehicles") == []
    fault = next(fault for fault in report.faults if fault.file == path.name)
    assert (fault.row, fault.column) == (row, column)
    assert reason in fault.reason


def test_what_looks_like_a_slip_is_taken_and_listed(second, exported):
    path = exported / "offers.csv"
    path.write_text(path.read_text().replace(",1500.0,", ",0.0,"))
    report = taken(second, exported)
    assert report.stored
    assert [(d.row, d.column) for d in report.doubts if d.file == "offers.csv"] == [(2, "price"), (3, "price")]
    assert len(contents(second, "offers")) == 2


def test_a_column_too_many_or_too_few_is_refused(second, tmp_path):
    path = tmp_path / "vehicles.csv"
    for content, reason in [
        ("id,driver\nV-1,x\n", "There is no column driver"),
        ("duty\nvan\n", "There is no column id"),
    ]:
        path.write_text(content)
        with pytest.raises(ValueError, match=reason):
            taken(second, path)


def test_the_command_line_names_what_it_left(first, exported, tideover, tmp_path):
    told = tideover("import", str(exported), env={"TIDEOVER_HOME": str(tmp_path / "home")})
    assert told.exit_code == 0, told.output
    assert "deliveries: 3 rows read, 3 good" in told.stdout
    assert "audit.csv is not imported. It tells what a store did." in told.stdout
    assert "All rows of the tables above are stored." in told.stdout


def test_the_command_does_not_end_well_where_a_file_was_passed_over(first, exported, tideover, tmp_path):
    """A folder with a misspelt table ended with status 0, as if all of it had gone in."""
    (exported / "reading.csv").write_text("pack_id\n")
    told = tideover("import", str(exported), env={"TIDEOVER_HOME": str(tmp_path / "home")})
    assert told.exit_code == 1, told.output
    assert "reading.csv is not imported. It is none of the tables." in told.stdout
    assert "All rows of the tables above are stored." in told.stdout
