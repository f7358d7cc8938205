"""How the rows lie in somebody's file: encoding, delimiter, where the headings stand, what is a comment."""

from __future__ import annotations

import codecs
import csv
import re
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Final

from service.exchange.imports.files import RECORDS, FileShape, Lines, cells_of, readable, sheets_of, spanned
from service.exchange.imports.limits import LONGEST_ROW, SHEETS

DELIMITERS: Final = (",", ";", "\t", "|")
TRIED_LINES: Final = 80
"""Lines in which delimiter and headings are looked for."""

READ_BYTES: Final = 1_000_000
"""From the beginning of a file, to tell its encoding."""

COMMENTS: Final = ("#", "%", "//")
_LEGACY: Final = ("cp1252", "cp1250", "cp1251", "cp932", "gb18030", "cp437")
"""Encodings without a mark of their own that loggers of this trade may write. Common practice, no source."""

_NUMBER: Final = re.compile(r"[+-]?[\d.,' \u00a0\u202f]*\d[\d.,]*(?:[eE][+-]?\d+)?")
_UNIT: Final = re.compile(
    r"[\[(]?\s*(?:m?V|m?A|m?Ah|°?\s?[CFK]|s|ms|h|min|%|km|mi|km/h|mph|rpm|W|kW|m?Ohm|m?Ω|-)?\s*[\])]?"
)


def is_number(text: str) -> bool:
    """Tell whether a field holds a number, whatever its decimal sign and thousands mark."""
    return len(text) <= 40 and _NUMBER.fullmatch(text.strip()) is not None


def shape_of(path: Path) -> FileShape:
    """Tell how the rows lie in a file, from its beginning.

    Raises
    ------
    BadInput
        It cannot be read.
    """
    if path.suffix in RECORDS or path.suffix == ".parquet":
        return FileShape()
    if path.suffix in SHEETS:
        sheets = sheets_of(path)
        shapes = [FileShape(sheet=name) for name in sheets] if len(sheets) > 1 else [FileShape()]
        found = [_headed(shape, list(islice(cells_of(path, shape), TRIED_LINES))) for shape in shapes]
        return max(found, key=lambda pair: pair[0])[1]
    encoding = encoding_of(path)
    with readable(path, encoding) as file:
        lines = list(islice(Lines(path, file, longest=TRIED_LINES * LONGEST_ROW), TRIED_LINES))
        comment = next((sign for sign in COMMENTS if any(line.startswith(sign) for line in lines[1:])), "")
        found = []
        for delimiter in DELIMITERS:
            shape = FileShape(encoding=encoding, delimiter=delimiter, comment=comment)
            reader = csv.reader(lines, delimiter=delimiter)
            rows = [(reader.line_num, row) for row in reader if any(row)]
            found.append(_headed(shape, [r for r in rows if not (comment and r[1][0].startswith(comment))]))
    # Ties go to the delimiter that comes first.
    return max(found, key=lambda pair: pair[0])[1]


def encoding_of(path: Path) -> str:
    """Tell the encoding of a text file: by its mark, as UTF-8 where it is that, else as a library makes it out."""
    with path.open("rb") as file:
        start = file.read(READ_BYTES)
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    # In UTF-16 every second byte of plain letters and digits is zero.
    if start[:200].count(0) > len(start[:200]) / 4:
        return "utf-16-le" if start[1:2] == b"\0" else "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start, final=len(start) < READ_BYTES)
    except UnicodeDecodeError:
        # Few files are none of UTF-8 and UTF-16, and it takes a while to load.
        from charset_normalizer import from_bytes

        best = from_bytes(start, cp_isolation=list(_LEGACY)).best()
        return _LEGACY[0] if best is None else best.encoding
    return "utf-8-sig"


def _headed(shape: FileShape, rows: list[tuple[int, list[str]]]) -> tuple[tuple[int, int], FileShape]:
    """Return how many rows of how many fields follow the headings, and where these stand."""
    sizes: dict[int, int] = {}
    for _, row in rows:
        if _holds_values(row):
            sizes[_size(row)] = sizes.get(_size(row), 0) + 1
    if not sizes:
        return (0, 0), shape
    # Blank fields at the end of a row are no end of the table: among widths as common, the widest.
    width = max(sizes, key=lambda size: (sizes[size], size))
    first = next(at for at, (_, row) in enumerate(rows) if _holds_values(row) and _size(row) >= width - 1)
    above = [at for at in range(first) if _size(rows[at][1]) >= max(2, width - 1)]
    # Rows of the same width right above the values: headings, and perhaps a row of units between them.
    run = [at for at in above if all(between in above for between in range(at, first))]
    if not run:
        return (0, 0), shape
    at = run[-1]
    if len(run) > 1 and all(_UNIT.fullmatch(cell.strip()) for cell in rows[at][1]):
        at = run[-2]
    shape = replace(shape, heading_row=rows[at][0], skip_rows=first - at - 1)
    if at and _span(rows[at - 1][1], rows[at][1], rows[first][1]):
        shape = replace(shape, over_row=rows[at - 1][0])
    return (sizes[width], width), shape


def _span(over: list[str], headings: list[str], values: list[str]) -> bool:
    """Tell whether a row holds headings above others: each column with a value lacks one without it, and has one so."""
    wanted = {place for place, cell in enumerate(values) if cell.strip()}
    alone = {place for place, cell in enumerate(headings) if cell.strip()}
    together = {place for place, cell in enumerate(spanned(over, headings)) if cell.strip()}
    return not wanted <= alone and wanted <= together


def _size(row: list[str]) -> int:
    """Count the fields up to the last that holds anything."""
    return max((place for place, cell in enumerate(row, start=1) if cell.strip()), default=0)


def _holds_values(row: list[str]) -> bool:
    """Tell whether a row holds values rather than headings, which may be numbered themselves."""
    numbers = [cell.strip() for cell in row if is_number(cell)]
    if len(numbers) < 2:
        return False
    filled = [place for place, cell in enumerate(row) if cell.strip()]
    # Numbered headings stand beside others, or to the right of some that a row above has.
    beside = len(numbers) < len(filled) or filled[0] > 0
    counted = all(number.isdecimal() for number in numbers) and beside
    return not (counted and [int(n) - int(numbers[0]) for n in numbers] == list(range(len(numbers))))
