"""Reading a file row by row, whatever its format, without holding it in memory."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final

import pyarrow as pa

from models.base.errors import BadInput
from service.exchange.imports.limits import (
    LONGEST_FIELD,
    LONGEST_HEADING,
    LONGEST_ROW,
    MOST_COLUMNS,
    MOST_JSON_BYTES,
    REFUSED,
)

BATCH_ROWS: Final = 5_000
csv.field_size_limit(LONGEST_FIELD)

Row = tuple[int, dict[str, Any]]
"""Number of the row as an editor shows it, and its fields by heading."""


def headings_of(path: Path, delimiter: str = ",") -> list[str]:
    """Return the headings of a CSV or Parquet file.

    Raises
    ------
    BadInput
    """
    if path.suffix == ".parquet":
        with _unpacked(path, columns_only=True) as stream:
            return _headings(path, stream.schema.names)
    with readable(path) as file:
        return _headings(path, next(csv.reader(Lines(path, file), delimiter=delimiter), []))


def rows_of(path: Path, delimiter: str = ",") -> Iterator[Row]:
    """Yield the rows of a CSV or Parquet file.

    Raises
    ------
    BadInput
        The file cannot be read to its end.
    """
    if path.suffix == ".parquet":
        with _unpacked(path) as stream:
            headings = _headings(path, stream.schema.names)
            number = 0
            for batch in stream:
                for cells in zip(*(column.to_pylist() for column in batch.columns), strict=True):
                    number += 1
                    yield number, dict(zip(headings, cells, strict=True))
        return
    with readable(path) as file:
        lines = Lines(path, file)
        reader = csv.reader(lines, delimiter=delimiter)
        headings = _headings(path, next(reader, []))
        for values in reader:
            lines.length = 0
            if values:
                fields = dict(zip(headings, values, strict=False))
                fields.pop("", None)
                if len(values) != len(headings):
                    fields[""] = f"{len(values)} fields instead of {len(headings)}"
                yield reader.line_num, fields


def histories_of(path: Path) -> Iterator[tuple[int, Any]]:
    """Yield the histories of a JSON file: one or a list of them, or one a line in a file ending in ``.jsonl``.

    A ``.json`` file is read whole; for very large ones use one history a line.

    Raises
    ------
    BadInput
    """
    try:
        with path.open(encoding="utf-8-sig") as file:
            if path.suffix == ".jsonl":
                for number, line in enumerate(iter(lambda: file.readline(MOST_JSON_BYTES + 1), ""), start=1):
                    _require_short_json(path, len(line))
                    if line.strip():
                        yield number, json.loads(line)
                return
            _require_short_json(path, path.stat().st_size)
            content = json.load(file)
    except (ValueError, RecursionError) as error:
        if isinstance(error, BadInput):
            raise
        reason = "it is nested too deeply" if isinstance(error, RecursionError) else str(error)[:300]
        raise BadInput.one(path.name, f"It is not JSON in UTF-8: {reason}.", "Send valid JSON.") from None
    yield from enumerate(content if isinstance(content, list) else [content], start=1)


class Lines:
    """Lines of a CSV file, none of them read further than a row may be long.

    Attributes
    ----------
    length : int
        Characters of the row in hand, which may take several lines; set to 0 by whoever has taken it.
    """

    def __init__(self, path: Path, file: IO[str], longest: int = LONGEST_ROW) -> None:
        self.path = path
        self.file = file
        self.longest = longest
        self.length = 0

    def __iter__(self) -> Lines:
        return self

    def __next__(self) -> str:
        line = self.file.readline(self.longest + 1)
        if not line:
            raise StopIteration
        self.length += len(line)
        if self.length > self.longest:
            raise BadInput.one(
                self.path.name,
                f"One of its rows has more than {self.longest} characters.",
                "Check that quotes are closed and that each row ends with a line break.",
            )
        return line


@contextmanager
def readable(path: Path) -> Iterator[IO[str]]:
    """Open a CSV file, and say it plainly where it turns out to be none."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            yield file
    except (csv.Error, UnicodeDecodeError) as error:
        raise BadInput.one(
            path.name, f"It cannot be read as CSV: {error}.", "Save it as CSV in UTF-8 with a header row."
        ) from None


@contextmanager
def _unpacked(path: Path, *, columns_only: bool = False) -> Iterator[pa.RecordBatchStreamReader]:
    """Have a Parquet file unpacked by a process of its own (see `unpacking`), and read what it writes to the end."""
    command = [sys.executable, "-m", "service.exchange.imports.unpacking", str(path.absolute())]
    environment = os.environ | {"ARROW_DEFAULT_MEMORY_POOL": "system", "OMP_NUM_THREADS": "1"}
    with (
        tempfile.TemporaryFile() as told,
        subprocess.Popen(  # noqa: S603  our own program
            [*command, *(["columns"] if columns_only else [])],
            stdout=subprocess.PIPE,
            stderr=told,
            env=environment,
        ) as process,
    ):
        try:
            reason = ""
            try:
                yield pa.ipc.open_stream(process.stdout)
            except BadInput:
                raise
            except (pa.ArrowException, ArithmeticError, LookupError, OSError, ValueError) as error:
                reason = f": {str(error)[:300]}"
                process.kill()
            status = process.wait()
        finally:
            process.kill()
        if status == REFUSED:
            told.seek(0)
            raise BadInput.one(path.name, **json.loads(told.read()))
        if status != 0 or reason:
            raise BadInput.one(
                path.name, f"It is not a Parquet file that can be read{reason}.", "Check how it was made."
            )


def _headings(path: Path, headings: list[str]) -> list[str]:
    """Return a file's headings without surrounding blanks; refuse more, longer or more alike ones than make sense."""
    headings = [heading.strip() for heading in headings]
    where = f"{path.name} row 1"
    if len(headings) > MOST_COLUMNS:
        what = f"It has {len(headings)} columns; at most {MOST_COLUMNS} are read."
        raise BadInput.one(where, what, "Check the delimiter, or leave out the columns that are not needed.")
    longest = max(headings, key=len, default="")
    if len(longest) > LONGEST_HEADING:
        what = f"One of its headings has {len(longest)} characters; at most {LONGEST_HEADING} are read."
        raise BadInput.one(where, what, "Check the delimiter and that the first row holds the headings.")
    twice = [heading for heading, times in Counter(headings).items() if heading and times > 1]
    if twice:
        what = f"The heading {twice[0]!r} stands there {headings.count(twice[0])} times."
        raise BadInput.one(where, what, "Rename the columns, or leave out those not needed.")
    return headings


def _require_short_json(path: Path, length: int) -> None:
    if length > MOST_JSON_BYTES:
        raise BadInput.one(
            path.name,
            f"It holds more than {MOST_JSON_BYTES // 1_000_000} MB of JSON in one piece.",
            "Write one history a line, in a file ending in .jsonl.",
        )
