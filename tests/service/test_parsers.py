"""Whatever is handed in, every parser gives a value or a sentence, soon, and what it gives is what was written."""

from __future__ import annotations

import csv
import gzip
import io
import json
import tempfile
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import anyio
import pytest
from fastapi import HTTPException
from hypothesis import given, settings
from hypothesis import strategies as st

from models.base.errors import BadInput
from models.base.moments import EARLIEST, LATEST
from service.cli.asking import moment_of
from service.exchange.exports.tables import csv_field
from service.exchange.imports.files import histories_of, rows_of
from service.exchange.imports.guess import understand
from service.exchange.imports.mapping import read_mapping
from service.exchange.imports.times import FORMATS, formats_of
from service.http.gzip_bodies import PIECE_BYTES, Unpacked
from service.http.page_addresses import is_open_page, is_page, own_address
from service.pages.bench.voltages import block_volts, split_numbers
from service.records.listing import _read_cursor, _write_cursor
from service.store.schema import Pack, Reading
from training.files.families import load_families, read_family
from training.files.tables import read_tables

TRIES = settings(max_examples=60, deadline=None, derandomize=True, database=None)
FEW = settings(TRIES, max_examples=8)
"""For what is unpacked in a process of its own."""
FAMILIES = load_families(None)
MARL = FAMILIES["marl-28"]
SPAN = (datetime(2010, 1, 13, 13), datetime(2099, 1, 1))  # noqa: DTZ001  as loggers write them, without offset
ANY_TEXT = st.one_of(st.text(max_size=300), st.text("0123456789.,;:-+eE \t\n\"'[]{}=#", max_size=300))
ANY_BYTES = st.one_of(st.binary(max_size=400), ANY_TEXT.map(lambda text: text.encode("utf-8", "surrogatepass")))
VOLTS = st.floats(-99, 99).map(lambda volts: round(volts, 3))


def told(parse, *arguments):
    """Return what a parser gives, or None where it refuses with sentences; anything else is a fault of ours."""
    try:
        return parse(*arguments)
    except BadInput as error:
        refused = error
    assert refused.problems
    for problem in refused.problems:
        assert problem.where
        assert problem.what.endswith((".", "?", ":"))
        assert problem.mend.endswith((".", "?", ")"))
    return None


def in_a_file(parse, content, suffix):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"given{suffix}"
        path.write_bytes(content)
        return told(parse, path)


@pytest.mark.parametrize(
    ("parse", "suffix"),
    [
        (read_mapping, ".toml"),
        (read_family, ".toml"),
        (lambda path: list(histories_of(path)), ".json"),
        (lambda path: list(histories_of(path)), ".jsonl"),
        (lambda path: list(rows_of(path)), ".csv"),
        (understand, ".csv"),
        (understand, ".json"),
    ],
    ids=["mapping", "family", "histories", "histories by line", "csv", "guess", "guess records"],
)
@TRIES
@given(content=ANY_BYTES)
def test_any_bytes_end_in_a_value_or_a_sentence(parse, suffix, content):
    in_a_file(parse, content, suffix)


@pytest.mark.parametrize("suffix", [".xlsx", ".parquet"])
@FEW
@given(content=ANY_BYTES)
def test_any_bytes_end_so_in_a_packed_file(suffix, content):
    in_a_file(lambda path: list(rows_of(path)), content, suffix)


@TRIES
@given(tables=st.dictionaries(st.sampled_from(["packs", "readings", "topups", "usage"]), ANY_BYTES, min_size=1))
def test_any_folder_of_tables_ends_so_too(tables):
    with tempfile.TemporaryDirectory() as folder:
        for name, content in tables.items():
            (Path(folder) / f"{name}.csv").write_bytes(content)
        told(read_tables, Path(folder), FAMILIES)


@TRIES
@given(rows=st.lists(st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\x00\r"), max_size=20),
                              min_size=3, max_size=3), min_size=1, max_size=8))  # fmt: skip
def test_csv_comes_back_as_python_wrote_it(rows):
    """Reference: the csv module of Python's standard library (RFC 4180)."""
    text = io.StringIO()
    csv.writer(text).writerows([["a", "b", "c"], *rows])
    found = in_a_file(lambda path: list(rows_of(path)), text.getvalue().encode(), ".csv")
    if found is not None:
        kept = [row for row in rows if any(field.strip() for field in row)]
        given_back = [[fields.get(name, "") for name in "abc"] for _, fields in found]
        assert [[f.strip() for f in row] for row in given_back if any(f.strip() for f in row)] == [
            [f.strip() for f in row] for row in kept
        ]


@TRIES
@given(moments=st.lists(st.datetimes(*SPAN), min_size=1, max_size=5),
       pattern=st.sampled_from(FORMATS))  # fmt: skip
def test_times_are_read_in_a_format_in_which_they_were_written(moments, pattern):
    texts = [moment.strftime(pattern) for moment in sorted(moments)]
    assert pattern in formats_of(texts).formats or formats_of(texts).formats[0] in ("unix-s", "unix-ms", "iso")


@TRIES
@given(texts=st.lists(st.text(max_size=30), max_size=5))
def test_any_texts_are_times_or_none(texts):
    formats_of(texts)


@TRIES
@given(text=ANY_TEXT)
def test_an_option_is_a_moment_that_can_be_meant_or_none(text):
    moment = told(moment_of, "--since", text)
    assert moment is None or EARLIEST <= moment < LATEST


@TRIES
@given(text=ANY_TEXT, way=st.sampled_from(["block", "module", "off_v", "off_mv"]), whole=st.none() | st.floats(0, 500))
def test_any_text_is_volts_of_every_block_or_a_sentence(text, way, whole):
    volts = told(block_volts, "block_v", text, way, whole, MARL)
    assert volts is None or len(volts) == MARL.blocks


@TRIES
@given(volts=st.lists(VOLTS, min_size=2, max_size=60), part=st.sampled_from(["\t", "\n", "; ", ";", " "]),
       comma=st.booleans())  # fmt: skip
def test_pasted_volts_come_back_whatever_parts_them(volts, part, comma):
    written = [f"{one:.3f}" for one in volts]
    text = part.join(one.replace(".", ",") if comma else one for one in written)
    assert [float(one.replace(",", ".")) for one in split_numbers(text)] == volts


@TRIES
@given(text=st.text(max_size=60), table=st.sampled_from([Pack, Reading]))
def test_only_a_cursor_that_was_given_out_is_one(text, table):
    found = told(_read_cursor, table, text)
    assert found is None or _write_cursor(table, found) == text


@TRIES
@given(name=st.text(min_size=1, max_size=40), number=st.integers(1, 2**63 - 1))
def test_a_cursor_comes_back(name, number):
    assert _read_cursor(Pack, _write_cursor(Pack, name)) == name
    assert _read_cursor(Reading, _write_cursor(Reading, number)) == number


@TRIES
@given(text=st.none() | st.text(max_size=60) | st.text("/\\.:@?#bench", max_size=20))
def test_no_address_leads_to_another_host(text):
    address = own_address(text)
    assert address.startswith("/")
    assert not address.startswith(("//", "/\\"))
    assert is_page(address.partition("?")[0].partition("#")[0])
    assert address == "/" or not is_open_page(address.partition("?")[0])


@TRIES
@given(text=st.text(max_size=30) | st.text("=+-@\ufeff \t＝＠0", max_size=10))
def test_no_text_is_a_formula_in_a_spreadsheet(text):
    field = csv_field(text)
    assert field in (text, f"'{text}")
    assert not field.startswith(("=", "+", "@"))


def unpacked(packed: bytes, cuts: list[int]) -> bytes:
    """Unpack a body that arrives cut into pieces."""
    edges = sorted({0, len(packed), *(cut % (len(packed) + 1) for cut in cuts)})
    pieces = [packed[a:b] for a, b in pairwise(edges)] or [b""]
    last = len(pieces) - 1
    messages = [{"type": "http.request", "body": piece, "more_body": i < last} for i, piece in enumerate(pieces)]

    async def receive():
        return messages.pop(0)

    async def whole() -> bytes:
        body, more, reads = b"", True, Unpacked(receive)
        while more:
            message = await reads()
            assert len(message["body"]) <= PIECE_BYTES
            body, more = body + message["body"], message["more_body"]
        return body

    return anyio.run(whole)


@TRIES
@given(parts=st.lists(st.binary(max_size=2_000), min_size=1, max_size=3), times=st.sampled_from([1, 1, 1, 90]),
       cuts=st.lists(st.integers(0, 10_000), max_size=6))  # fmt: skip
def test_a_packed_body_comes_out_as_it_was_however_it_arrives(parts, cuts, times):
    """Packed by Python's gzip (RFC 1952), in several members."""
    packed = b"".join(gzip.compress(part * times) for part in parts)
    assert unpacked(packed, cuts) == b"".join(part * times for part in parts)


@TRIES
@given(content=st.binary(max_size=200), cuts=st.lists(st.integers(0, 200), max_size=4))
def test_what_is_not_packed_is_refused(content, cuts):
    with pytest.raises(HTTPException) as caught:
        unpacked(content, cuts)
    assert caught.value.status_code == 422
    assert str(caught.value.detail).endswith(".")


LEAVES = st.none() | st.booleans() | st.floats(allow_nan=False) | st.text(max_size=9)
JSON = st.recursive(LEAVES, lambda part: st.lists(part, max_size=3) | st.dictionaries(st.text(max_size=9), part))


@TRIES
@given(value=JSON)
def test_any_json_is_histories_or_a_sentence(value):
    in_a_file(lambda path: list(histories_of(path)), json.dumps(value).encode(), ".json")
