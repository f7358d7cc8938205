"""Reading a file row by row, whatever its format, without holding it in memory."""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

from models.base.errors import BadInput
from service.exchange.imports.limits import (
    LONGEST_FIELD,
    LONGEST_HEADING,
    LONGEST_ROW,
    MOST_COLUMNS,
    MOST_JSON_BYTES,
    SHEET_NAMES,
    SHEETS,
)
from service.exchange.imports.packed_files import unpacked

BATCH_ROWS: Final = 5_000
csv.field_size_limit(LONGEST_FIELD)

Row = tuple[int, dict[str, Any]]
"""Number of the row as an editor shows it, and its fields by heading."""


RECORDS: Final = (".json", ".jsonl")
TEXTS: Final = (".csv", ".txt", ".tsv", ".log", ".dat")
ENDINGS: Final = (*TEXTS, ".parquet", *RECORDS, *SHEETS)
"""Of files that are read; each says how."""


@dataclass(frozen=True)
class FileShape:
    """How the rows lie in a file.

    Attributes
    ----------
    encoding, delimiter : str
        Of a text file.
    heading_row : int
        Row of the headings in a text file or sheet, from 1; what stands above is left out.
    skip_rows : int
        Rows between the headings and the first values, as one of units.
    comment : str
        Sign with which a row begins that is left out; empty for none.
    sheet : str
        Name of the sheet in a spreadsheet; empty for the first.
    over_row : int
        Row of headings that each span several columns, above `heading_row`; 0 for none.
    """

    encoding: str = "utf-8-sig"
    delimiter: str = ","
    heading_row: int = 1
    skip_rows: int = 0
    comment: str = ""
    sheet: str = ""
    over_row: int = 0


AS_DOCUMENTED: Final = FileShape()


def headings_of(path: Path, shape: FileShape = AS_DOCUMENTED) -> list[str]:
    """Return the headings of a file: CSV or other text, Parquet, spreadsheet, JSON records.

    Raises
    ------
    BadInput
    """
    if path.suffix == ".parquet":
        with unpacked(path) as packed:
            return _headings(path, packed.schema.names)
    if path.suffix in RECORDS:
        return _headings(path, _record_headings(path))
    return _headings(path, spanned(*_headed(cells_of(path, shape), shape)))


def rows_of(
    path: Path, shape: FileShape = AS_DOCUMENTED, again: Callable[[int], None] = lambda _number: None
) -> Iterator[Row]:
    """Yield the rows of a file: CSV or other text, Parquet, spreadsheet, JSON records.

    Parameters
    ----------
    again : callable
        Told the number of each row that repeats the headings, as where one log was put behind another. It is left out,
        and so are the rows that `shape` says lie between headings and values.

    Raises
    ------
    BadInput
        The file cannot be read to its end.
    """
    if path.suffix == ".parquet":
        with unpacked(path) as packed:
            headings = _headings(path, packed.schema.names)
            for number, cells in enumerate(packed.rows(), start=1):
                yield number, dict(zip(headings, cells, strict=True))
        return
    if path.suffix in RECORDS:
        yield from ((number, _flat(record)) for number, record in _records(path))
        return
    rows = cells_of(path, shape)
    above, own = _headed(rows, shape)
    headings = _headings(path, spanned(above, own))
    to_skip = shape.skip_rows
    for number, values in rows:
        if to_skip:
            to_skip -= 1
            continue
        if values == above:
            continue
        if values == own:
            again(number)
            to_skip = shape.skip_rows
            continue
        # A delimiter at the end of each row makes one more field, an empty one.
        while len(values) > len(headings) and not values[-1].strip():
            values.pop()
        fields: dict[str, Any] = dict(zip(headings, values, strict=False))
        fields.pop("", None)
        if len(values) != len(headings):
            fields[""] = f"{len(values)} fields instead of {len(headings)}"
        yield number, fields


def _headed(rows: Iterator[tuple[int, list[str]]], shape: FileShape) -> tuple[list[str], list[str]]:
    """Take rows up to the headings, and return what spans several columns, and these, as they stand."""
    over: list[str] = []
    for number, cells in rows:
        if number == shape.over_row:
            over = cells
        if number >= shape.heading_row:
            return over, cells
    return [], []


def spanned(over: list[str], cells: list[str]) -> list[str]:
    """Join headings with those above them, which reach as far to the right as there are headings below them."""
    found, reaching = [], ""
    for place, cell in enumerate(cells + [""] * (len(over) - len(cells))):
        above = over[place].strip() if place < len(over) else ""
        reaching = above or (reaching if cell.strip() else "")
        found.append(f"{reaching} {cell.strip()}".strip())
    return found


def cells_of(path: Path, shape: FileShape = AS_DOCUMENTED) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows of a text file or a sheet as they stand, empty ones and comments left out.

    Raises
    ------
    BadInput
        The file cannot be read to its end.
    """
    if path.suffix in SHEETS:
        with unpacked(path, shape.sheet) as packed:
            for number, cells in enumerate(packed.rows(), start=1):
                if any(cells):
                    yield number, list(cells)
        return
    with readable(path, shape.encoding) as file:
        lines = Lines(path, file)
        reader = csv.reader(lines, delimiter=shape.delimiter)
        for values in reader:
            lines.length = 0
            if any(values) and not (shape.comment and values[0].startswith(shape.comment)):
                yield reader.line_num, values


def sheets_of(path: Path) -> list[str]:
    """Return the names of the sheets that hold anything.

    Raises
    ------
    BadInput
    """
    with unpacked(path) as packed:
        return list(json.loads(packed.schema.metadata[SHEET_NAMES]))


def _records(path: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    for number, record in histories_of(path):
        # One object around the list of records is common.
        lists = [value for value in record.values() if isinstance(value, list)] if isinstance(record, dict) else []
        if path.suffix == ".json" and number == 1 and lists and all(isinstance(r, dict) for r in lists[0]):
            yield from enumerate(lists[0], start=1)
            return
        if not isinstance(record, dict):
            raise BadInput.one(
                f"{path.name} record {number}", "It is no record.", 'Write one object a row, as {"time": ...}.'
            )
        yield number, record


def _flat(record: dict[str, Any], before: str = "") -> dict[str, Any]:
    """Name what lies deeper by the way to it; a list is numbered from 1."""
    flat: dict[str, Any] = {}
    for name, value in record.items():
        heading = f"{before}{name}"
        if isinstance(value, list):
            value = {str(place): part for place, part in enumerate(value, start=1)}
        flat |= _flat(value, f"{heading} ") if isinstance(value, dict) else {heading: value}
    return flat


def _record_headings(path: Path) -> list[str]:
    headings: dict[str, None] = {}
    for _, record in _records(path):
        headings |= dict.fromkeys(_flat(record))
        if len(headings) > MOST_COLUMNS:
            break
    return list(headings)


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
def readable(path: Path, encoding: str = "utf-8-sig") -> Iterator[IO[str]]:
    """Open a CSV file, and say it plainly where it turns out to be none."""
    try:
        with path.open(encoding=encoding, newline="") as file:
            yield file
    except (csv.Error, UnicodeError, LookupError) as error:
        raise BadInput.one(
            path.name, f"It cannot be read as CSV: {error}.", "Save it as CSV in UTF-8 with a header row."
        ) from None


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
