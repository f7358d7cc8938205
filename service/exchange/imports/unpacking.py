"""A Parquet file or a spreadsheet unpacked in a process of its own, whose memory is limited.

A few kilobytes can be written so that they unpack to gigabytes, and what says how large a part is comes from the file
itself. So the operating system keeps the bound: `python -m service.exchange.imports.unpacking FILE` writes the rows to
its standard output as an Arrow stream, in batches of bounded size. Of a spreadsheet ``FILE SHEET`` picks a sheet, the
first if it is empty, and the columns name all sheets. What is wrong goes to its standard error as JSON,
``{"what": …, "mend": …}``.
"""

from __future__ import annotations

import json
import re
import resource
import sys
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from itertools import islice
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from python_calamine import CalamineError, CalamineWorkbook

from service.exchange.imports.limits import (
    LONGEST_FIELD,
    MOST_CELLS,
    MOST_COLUMNS,
    MOST_FOOTER_BYTES,
    MOST_UNPACKING_BYTES,
    REFUSED,
    SHEET_NAMES,
    SHEETS,
)

MICROSECONDS: Final = "us"
MOST_WHOLE: Final = 2**53
"""Up to here every whole number has a float of its own (IEEE 754, binary64)."""
FOOTER_BYTES: Final = 8
"""Length of the footer and closing mark, which end every Parquet file (Apache Parquet format, "File Format")."""


class Refused(Exception):
    """What is wrong, and how to mend it."""


def batches_of(path: Path) -> Iterator[pa.RecordBatch]:
    """Yield the rows of a Parquet file, after an empty batch that only tells the columns.

    Raises
    ------
    Refused
    pyarrow.ArrowException, OSError
        It is broken.
    """
    size = path.stat().st_size
    _require_short_footer(path, size)
    texts = _text_columns(pq.read_schema(path))
    file = pq.ParquetFile(path, read_dictionary=texts, buffer_size=65_536, pre_buffer=False)
    if file.metadata.num_rows > size:
        raise Refused(
            f"It says that it holds {file.metadata.num_rows} rows in {size} bytes: no record packs so tightly.",
            "Check how it was made; rows that only repeat others can be left out.",
        )
    names = file.schema_arrow.names
    yield _plain_batch(names, [pa.array([], kind) for kind in file.schema_arrow.types])
    for batch in file.iter_batches(max(1, MOST_CELLS // max(1, len(names))), use_threads=False):
        yield _plain_batch(names, batch.columns)


def sheet_batches_of(path: Path, wanted: str) -> Iterator[pa.RecordBatch]:
    """Yield the rows of a sheet as texts, after an empty batch that only tells the columns.

    Times are written as ISO 8601, to the millisecond: a spreadsheet keeps them as a share of a day.

    Raises
    ------
    Refused
    """
    try:
        book = CalamineWorkbook.from_path(path)
        used = [name for name in book.sheet_names if book.get_sheet_by_name(name).total_height > 0]
    except (CalamineError, OSError, ValueError) as error:
        raise Refused(f"It is not a spreadsheet that can be read: {error}.", "Save it again, or as CSV.") from None
    if wanted and wanted not in used:
        raise Refused(f"It has no sheet {wanted!r} with anything in it.", f"Name one of {', '.join(used)}.")
    if not used:
        raise Refused("There is nothing in it.", "Check how it was made.")
    sheet = book.get_sheet_by_name(wanted or used[0])
    width = sheet.width
    if width > MOST_COLUMNS:
        raise Refused(f"It has {width} columns; at most {MOST_COLUMNS} are read.", "Leave out those not needed.")
    names = [f"column {number}" for number in range(1, width + 1)]
    empty = _plain_batch(names, [pa.array([], pa.string())] * width)
    yield empty.replace_schema_metadata({SHEET_NAMES: json.dumps(used)})
    rows = sheet.iter_rows()
    while held := list(islice(rows, max(1, MOST_CELLS // max(1, width)))):
        texts = [[_cell_text(cell) for cell in row] + [""] * (width - len(row)) for row in held]
        yield _plain_batch(names, [pa.array(column, pa.string()) for column in zip(*texts, strict=True)])


def _cell_text(cell: object) -> str:
    if isinstance(cell, datetime):
        return (cell + timedelta(microseconds=500)).isoformat(" ", "milliseconds")
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < MOST_WHOLE:
        return str(int(cell))
    text = str(cell)
    if len(text) > LONGEST_FIELD:
        raise Refused(f"A field holds {len(text)} characters; at most {LONGEST_FIELD} are read.", "Shorten it.")
    return text


def _require_short_footer(path: Path, size: int) -> None:
    with path.open("rb") as file:
        file.seek(max(0, size - FOOTER_BYTES))
        length = int.from_bytes(file.read(FOOTER_BYTES)[:4], "little")
    if MOST_FOOTER_BYTES < length < size:
        raise Refused(
            f"What it says of itself takes {length} bytes; at most {MOST_FOOTER_BYTES} are read.",
            f"Leave columns out (at most {MOST_COLUMNS} are read), or write larger row groups.",
        )


def _text_columns(schema: pa.Schema) -> list[str]:
    """Return the columns that hold text; refuse too many columns, and kinds that no table of ours has."""
    if len(schema.names) > MOST_COLUMNS:
        raise Refused(
            f"It has {len(schema.names)} columns; at most {MOST_COLUMNS} are read.", "Leave out those not needed."
        )
    texts = []
    for field in schema:
        kind = field.type.value_type if pa.types.is_dictionary(field.type) else field.type
        if pa.types.is_string(kind) or pa.types.is_large_string(kind):
            texts.append(field.name)
        elif not (
            pa.types.is_integer(kind)
            or pa.types.is_floating(kind)
            or pa.types.is_decimal(kind)
            or pa.types.is_boolean(kind)
            or pa.types.is_null(kind)
            or pa.types.is_timestamp(kind)
            or pa.types.is_date(kind)
        ):
            raise Refused(
                f"The column {field.name[:60]!r} holds {str(field.type)[:60]}.",
                "Write numbers, texts and times, one in each field.",
            )
    return texts


def _plain_batch(names: list[str], columns: list[pa.Array]) -> pa.RecordBatch:
    plain = [_plain(name, column) for name, column in zip(names, columns, strict=True)]
    return pa.RecordBatch.from_arrays(plain, names=names)


def _plain(name: str, column: pa.Array) -> pa.Array:
    if pa.types.is_dictionary(column.type):
        words = column.dictionary
        if pa.types.is_string(words.type) or pa.types.is_large_string(words.type):
            # A long text that stands once in the file, but in every row of the table, would fill the memory.
            longest = pc.max(pc.binary_length(words)).as_py() or 0
            if longest > LONGEST_FIELD:
                raise Refused(
                    f"The column {name[:60]!r} holds a text of {longest} bytes; at most {LONGEST_FIELD} are read.",
                    "Leave the column out, or shorten it.",
                )
        column = column.dictionary_decode()
    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.timestamp(MICROSECONDS, column.type.tz), safe=False)
    return column


def _limit_memory() -> None:
    status = Path("/proc/self/status")
    if not status.exists():  # Linux alone tells how much is in use, and keeps to this limit.
        return
    in_use = int(re.findall(r"VmData:\s+(\d+) kB", status.read_text("ascii"))[0]) * 1024
    resource.setrlimit(resource.RLIMIT_DATA, (in_use + MOST_UNPACKING_BYTES, resource.RLIM_INFINITY))


def main() -> None:
    """Unpack the file that is named on the command line."""
    _limit_memory()
    try:
        path, sheet = Path(sys.argv[1]), sys.argv[2]
        batches = sheet_batches_of(path, sheet) if path.suffix in SHEETS else batches_of(path)
        first = next(batches)
        with pa.ipc.new_stream(sys.stdout.buffer, first.schema) as stream:
            for batch in batches:
                stream.write_batch(batch)
                sys.stdout.buffer.flush()
    except Refused as error:
        what, mend = error.args
    except (MemoryError, pa.ArrowMemoryError):
        what = f"It does not unpack within {MOST_UNPACKING_BYTES // 1_000_000} MB of memory."
        mend = "Write it in smaller row groups and pages, or as CSV."
    except (pa.ArrowException, OSError, ValueError) as error:
        what, mend = f"It is not a Parquet file that can be read: {str(error)[:300]}.", "Check how it was made."
    else:
        return
    json.dump({"what": what, "mend": mend}, sys.stderr)
    sys.exit(REFUSED)


if __name__ == "__main__":
    main()
