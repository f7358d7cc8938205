"""A raw log as Parquet: the columns of the documented readings, so that an import takes it again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from io import BytesIO
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from models.packs.fields import columns_of
from models.packs.history import BlockReading
from models.packs.tables import LIST_COLUMNS, block_column, list_text
from service.records.versions import Writer
from service.store.schema import NAME_LENGTH, DriveLog

MOST_ROWS: Final = 20_000
"""Rows of one kept log; a longer one is kept in several. Five and a half hours at one a second. Our choice."""

_KINDS: Final = {"time": pa.timestamp("us", tz="UTC"), "number": pa.float64(), "text": pa.string(), "list": pa.string()}
_SCALARS: Final[tuple[tuple[str, Any], ...]] = (
    ("pack_id", pa.string()),
    *((column.name, _KINDS[column.kind]) for column in columns_of(BlockReading)),
)


def logs_of(pack_id: str, readings: Sequence[BlockReading], file: str, writer: Writer) -> Iterator[DriveLog]:
    """Yield a log as it is kept.

    Parameters
    ----------
    readings : sequence of BlockReading
        In order of time.
    file : str
        Name of the file it came in with.
    """
    for first in range(0, len(readings), MOST_ROWS):
        some = readings[first : first + MOST_ROWS]
        content = packed(pack_id, some)
        yield DriveLog(
            pack_id=pack_id,
            begins_at=some[0].time,
            ends_at=some[-1].time,
            rows=len(some),
            size_bytes=len(content),
            file=file[:NAME_LENGTH],
            content=content,
            recorded_at=writer.at,
            recorded_by=writer.by,
        )


def packed(pack_id: str, readings: Sequence[BlockReading]) -> bytes:
    """Return readings as one Parquet file."""
    blocks = len(readings[0].block_v)
    columns: list[Any] = [
        pa.array([pack_id] * len(readings), pa.string()),
        *(pa.array([_field(one, name) for one in readings], kind) for name, kind in _SCALARS[1:]),
        *(pa.array([one.block_v[block] for one in readings], pa.float64()) for block in range(blocks)),
    ]
    names = [name for name, _ in _SCALARS] + [block_column(block) for block in range(1, blocks + 1)]
    buffer = BytesIO()
    pq.write_table(pa.Table.from_arrays(columns, names=names), buffer, compression="zstd")
    return buffer.getvalue()


def _field(one: BlockReading, name: str) -> Any:
    return list_text(getattr(one, name)) if name in LIST_COLUMNS else getattr(one, name)


def file_name(log: DriveLog) -> str:
    """Return what a kept log is called as a file."""
    begun: datetime = log.begins_at
    return f"readings-{log.pack_id}-{begun:%Y%m%dT%H%M%SZ}.parquet"
