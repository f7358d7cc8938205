"""A packed file is unpacked once for all passes over it, as long as it is small enough to be kept."""

from __future__ import annotations

from itertools import islice

import pytest
import xlsxwriter

from models.base.errors import BadInput
from service.exchange.imports import packed_files
from service.exchange.imports.files import FileShape, headings_of, rows_of, sheets_of
from service.exchange.imports.guess import confirmed
from service.exchange.imports.packed_files import unpacked_once
from tests.service.exchange.imports.invented_log import AZORES, LOG, PACK
from tests.service.exchange.imports.written_files import numbers, parquet, sheet, table

SHEET = numbers(table(time=lambda t: ["0"]))


@pytest.fixture(params=["log.xlsx", "log.parquet"])
def path(request, tmp_path):
    path = tmp_path / request.param
    write = parquet if path.suffix == ".parquet" else sheet(SHEET)
    write(path)
    return path


def test_a_second_pass_needs_the_file_no_more(path):
    before = list(rows_of(path))
    assert len(before) == len(LOG)
    with unpacked_once():
        headings = headings_of(path)
        assert list(islice(rows_of(path), 3)) == before[:3], "a pass may end before the file does"
        assert list(rows_of(path)) == before
        path.unlink()
        assert list(rows_of(path)) == before
        assert headings_of(path) == headings
    with pytest.raises(BadInput):
        list(rows_of(path))


def test_what_is_too_large_to_keep_is_unpacked_again(path, monkeypatch):
    before = list(rows_of(path))
    monkeypatch.setattr(packed_files, "MOST_KEPT_BYTES", 100)
    with unpacked_once():
        assert list(rows_of(path)) == before
        assert list(rows_of(path)) == before
        path.unlink()
        with pytest.raises(BadInput):
            list(rows_of(path))


def test_sheets_are_told_apart(tmp_path):
    path = tmp_path / "two.xlsx"
    with xlsxwriter.Workbook(path) as book:
        for name, rows in (("Cover", [["Drive", "Driver"], ["1", "2"]]), ("Log", SHEET)):
            page = book.add_worksheet(name)
            for place, row in enumerate(rows):
                page.write_row(place, 0, row)
    with unpacked_once():
        assert sheets_of(path) == ["Cover", "Log"]
        assert headings_of(path) == ["Drive", "Driver"]
        assert headings_of(path, FileShape(sheet="Log")) == SHEET[0]


def test_every_pass_tells_what_is_wrong(tmp_path):
    path = tmp_path / "log.xlsx"
    path.write_bytes(b"PK no spreadsheet")
    with unpacked_once():
        for _ in range(2):
            with pytest.raises(BadInput, match="not a spreadsheet that can be read"):
                list(rows_of(path))


def test_a_guess_starts_one_process(path, monkeypatch):
    started = []
    begin = packed_files.Unpacking.__init__

    def counted(self, *arguments, **options):
        started.append(arguments)
        begin(self, *arguments, **options)

    monkeypatch.setattr(packed_files.Unpacking, "__init__", counted)
    assert confirmed(path, {"fixed.pack_id": PACK, "time.zone": AZORES}).columns
    assert len(started) == 1
