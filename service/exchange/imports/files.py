"""Reading a file row by row, whatever its format, without holding it in memory."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from models.base.errors import BadInput

BATCH_ROWS: Final = 5_000
csv.field_size_limit(1_000_000)

Row = tuple[int, dict[str, Any]]
"""Number of the row as an editor shows it, and its fields by heading."""


def headings_of(path: Path, delimiter: str = ",") -> list[str]:
    """Return the headings of a CSV or Parquet file.

    Raises
    ------
    BadInput
    """
    if path.suffix == ".parquet":
        return list(_parquet(path).schema_arrow.names)
    with path.open(encoding="utf-8-sig", newline="") as file:
        try:
            return [heading.strip() for heading in next(csv.reader(file, delimiter=delimiter), [])]
        except (csv.Error, UnicodeDecodeError) as error:
            raise _unreadable(path, error) from None


def rows_of(path: Path, delimiter: str = ",") -> Iterator[Row]:
    """Yield the rows of a CSV or Parquet file.

    Raises
    ------
    BadInput
        The file cannot be read to its end.
    """
    if path.suffix == ".parquet":
        number = 0
        for batch in _parquet(path).iter_batches(BATCH_ROWS):
            for fields in batch.to_pylist():
                number += 1
                yield number, fields
        return
    with path.open(encoding="utf-8-sig", newline="") as file:
        reader = csv.reader(file, delimiter=delimiter)
        try:
            headings = [heading.strip() for heading in next(reader, [])]
            for values in reader:
                if values:
                    fields = dict(zip(headings, values, strict=False))
                    if len(values) != len(headings):
                        fields[""] = f"{len(values)} fields instead of {len(headings)}"
                    yield reader.line_num, fields
        except (csv.Error, UnicodeDecodeError) as error:
            raise _unreadable(path, error) from None


def histories_of(path: Path) -> Iterator[tuple[int, Any]]:
    """Yield the histories of a JSON file: one or a list of them, or one a line in a file ending in ``.jsonl``.

    A ``.json`` file is read whole; for very large ones use one history a line.

    Raises
    ------
    BadInput
    """
    with path.open(encoding="utf-8-sig") as file:
        try:
            if path.suffix == ".jsonl":
                for number, line in enumerate(file, start=1):
                    if line.strip():
                        yield number, json.loads(line)
                return
            content = json.load(file)
        except (json.JSONDecodeError, UnicodeDecodeError) as error:
            raise BadInput.one(path.name, f"It is not JSON in UTF-8: {error}.", "Send valid JSON.") from None
    yield from enumerate(content if isinstance(content, list) else [content], start=1)


def _parquet(path: Path) -> pq.ParquetFile:
    try:
        return pq.ParquetFile(path)
    except pa.ArrowException as error:
        raise BadInput.one(path.name, f"It is not a Parquet file: {error}.", "Check how it was made.") from None


def _unreadable(path: Path, error: Exception) -> BadInput:
    return BadInput.one(path.name, f"It cannot be read as CSV: {error}.", "Save it as CSV in UTF-8 with a header row.")
