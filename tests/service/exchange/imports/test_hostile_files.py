"""Files made to hurt: what costs time or memory beyond its size is refused, in a sentence and soon."""

from __future__ import annotations

import json
import re
import resource
import subprocess
import sys

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from models.base.errors import BadInput
from service.exchange.imports.files import FileShape, headings_of, histories_of, rows_of
from service.exchange.imports.guess import understand
from service.exchange.imports.limits import MOST_UNPACKING_BYTES
from tests.service.exchange.imports import bombs

CPU_SECONDS = 5.0
"""Processor time, ours and our children's: a busy machine does not move it. Starting the unpacking takes about 1 s."""


def used_seconds() -> float:
    own, children = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


@pytest.fixture
def soon():
    began = used_seconds()
    yield
    assert used_seconds() - began < CPU_SECONDS


def block_headings(count: int) -> str:
    return ",".join(f"cell {n} V" for n in range(1, count + 1))


@pytest.mark.usefixtures("soon")
@pytest.mark.parametrize(
    ("heading", "what"),
    [
        ("9" * 30_000 + "\n9", "30002 characters"),
        ("9" * 5_000, "5000 characters"),
        ("a1" * 20_000, "fields? larger|characters"),
    ],
)
def test_long_headings(tmp_path, heading, what):
    path = tmp_path / "logger.csv"
    path.write_text(f'time,"{heading}",{block_headings(4)}\n', encoding="utf-8")
    with pytest.raises(BadInput, match=f"{what}|field larger than field limit"):
        understand(path)


@pytest.mark.usefixtures("soon")
@pytest.mark.parametrize("text", ["\n'" * 10_000, ",'\"" * 60_000, '"' * 20_000, ',"a' * 60_000, " ," * 90_000])
def test_what_the_delimiter_is_is_found_in_one_pass(tmp_path, text):
    path = tmp_path / "logger.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadInput):
        understand(path)


@pytest.mark.usefixtures("soon")
def test_a_million_columns(tmp_path):
    path = tmp_path / "logger.csv"
    path.write_text(",".join(f"c{n}" for n in range(1_000_000)) + "\n", encoding="utf-8")
    with pytest.raises(BadInput) as error:
        headings_of(path)
    assert len(str(error.value)) < 1_000


def test_a_row_without_an_end(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text("a,b\n" + '"1\n",' * 300_000, encoding="utf-8")
    with pytest.raises(BadInput, match="more than 200000 characters"):
        list(rows_of(path))


def test_a_heading_that_stands_there_twice(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text("time,cell 1,cell 1\n1,2,3\n", encoding="utf-8")
    with pytest.raises(BadInput, match="'cell 1' stands there 2 times"):
        headings_of(path)


def test_columns_without_a_heading_are_left_out(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text("time;a;;\n1;2;;\n1;2\n", encoding="utf-8")
    assert list(rows_of(path, FileShape(delimiter=";"))) == [
        (2, {"time": "1", "a": "2"}),
        (3, {"time": "1", "a": "2", "": "2 fields instead of 4"}),
    ]


@pytest.mark.parametrize(
    ("text", "headings", "delimiter"),
    [
        ("time;cell 1;cell 2\n1;7,5;7,6\n2;7,5;7,6\n", 3, ";"),
        ("time,cell 1,cell 2\n1,7.5,7.6\n", 3, ","),
        ("time\tcell 1\tcell 2\n1\t7,5\t7,6\n", 3, "\t"),
        ("time|cell 1|cell 2\n1|7,5|7,6\n1|7,5|7,6\n", 3, "|"),
        ('time;"cell; 1";"cell; 2"\n1;7,5;7,6\n1;7,5;7,6\n', 3, ";"),
    ],
)
def test_the_delimiter_is_the_one_that_parts_most_rows_alike(tmp_path, text, headings, delimiter):
    path = tmp_path / "logger.csv"
    path.write_text(text, encoding="utf-8")
    assert f"delimiter = {json.dumps(delimiter)}" in understand(path).as_toml()
    assert len(headings_of(path, FileShape(delimiter=delimiter))) == headings


@pytest.mark.usefixtures("soon")
@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("h.json", "[" * 200_000),
        ("h.jsonl", "[" * 200_000),
        ("h.json", '{"a":' * 100_000),
        ("h.json", "[" + "9" * 5_000 + "]"),
        ("h.json", "[{}," * 3 + "{}" + " " * 11_000_000),
        ("h.jsonl", "[" + "[]," * 4_000_000),
    ],
    ids=range(6),
)
def test_json_that_is_deep_long_or_no_number(tmp_path, name, text):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadInput):
        list(histories_of(path))


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("one_text_in_every_row", "text of 1000000 bytes"),
        ("a_page_of_half_a_gigabyte", "does not unpack within"),
        ("all_rows_alike", "3000000 rows in"),
        ("wide", "20000 columns; at most 1000|takes .* bytes; at most"),
        ("nested", "holds list"),
    ],
)
def test_a_parquet_file_that_unpacks_to_far_more_than_it_is(tmp_path, name, what):
    path = tmp_path / "packs.parquet"
    # What a process is charged with begins with what its parent holds: a shell in between holds next to nothing.
    subprocess.run([*SHELL, sys.executable, "-m", bombs.__name__, name, str(path)], check=True)
    read = [*SHELL, sys.executable, "-c", READ_AND_WEIGH, str(path)]
    done = subprocess.run(read, capture_output=True, text=True, check=True)
    told, seconds, most_bytes = done.stdout.splitlines()
    assert re.search(what, told)
    assert len(told) < 1_000
    assert float(seconds) < CPU_SECONDS
    assert int(most_bytes) < 2 * MOST_UNPACKING_BYTES


SHELL = ("sh", "-c", '"$@"; exit $?', "sh")

READ_AND_WEIGH = """
import resource, sys
from pathlib import Path
from models.base.errors import BadInput
from service.exchange.imports.files import rows_of
try:
    print(len(list(rows_of(Path(sys.argv[1])))))
except BadInput as error:
    print(error)
used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
print(sum(each.ru_utime + each.ru_stime for each in used))
print(max(each.ru_maxrss for each in used) * 1024)
"""


def test_a_large_honest_parquet_file_is_read_piece_by_piece(tmp_path):
    rng = np.random.default_rng(5)
    rows = 200_000
    columns = {f"block_{b}_v": rng.normal(7.5, 0.1, rows) for b in range(1, 31)}
    path = tmp_path / "readings.parquet"
    pq.write_table(pa.table({"pack_id": [f"P{n % 100}" for n in range(rows)], **columns}), path)
    number, fields = 0, {}
    for number, fields in rows_of(path):  # noqa: B007
        pass
    assert number == rows
    assert fields["pack_id"] == "P99"
    assert fields["block_30_v"] == columns["block_30_v"][-1]


def test_broken_parquet_files_are_told_as_such(tmp_path):
    rng = np.random.default_rng(7)
    path = tmp_path / "packs.parquet"
    pq.write_table(pa.table({"pack_id": ["A", "B"] * 50, "age_years": rng.normal(9, 1, 100)}), path)
    whole = path.read_bytes()
    read = 0
    for _ in range(25):
        broken = bytearray(whole)
        for place in rng.integers(0, len(whole), rng.integers(1, 20)):
            broken[place] = rng.integers(0, 256)
        path.write_bytes(
            bytes(broken[: rng.integers(len(whole) // 2, len(whole) + 1)] if rng.random() < 0.3 else broken)
        )
        try:
            list(rows_of(path))
            read += 1
        except BadInput as error:
            (problem,) = error.problems
            assert problem.where.startswith("packs.parquet")
            assert problem.mend
    assert read < 25
