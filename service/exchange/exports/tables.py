"""Writing the store's tables as CSV or Parquet, a few thousand rows at a time."""

from __future__ import annotations

import csv
import json
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from io import TextIOWrapper
from pathlib import Path
from typing import Any, BinaryIO, Final, Literal

import pyarrow as pa
import pyarrow.parquet as pq
from sqlalchemy import Table, select
from sqlalchemy.orm import Session

from models.packs.family import PackFamily
from models.packs.tables import LIST_COLUMNS, block_column, list_text
from service.store import schema
from service.store.schema import Base, Pack
from training.files.tables import COLUMNS

FileFormat = Literal["csv", "parquet"]
FORMULA_SIGNS: Final = ("=", "+", "-", "−", "@")
CHUNK: Final = 5_000
_WRITTEN: Final = ("superseded_at", "recorded_at", "issued_at", "at")
"""When a row came to stand as it does; the first of them that a table has."""
_UTC: Final = pa.timestamp("us", tz="UTC")


@dataclass(frozen=True)
class Exported:
    """One exported table.

    Attributes
    ----------
    columns : mapping of str to pyarrow.DataType
        Headings and their types, beside the block voltages.
    values : callable
        Turns a row of the store into fields, in the order of the headings.
    """

    table: type[Base]
    columns: Mapping[str, Any]
    values: Callable[[Any], list[Any]]


_TYPES: Final[Mapping[type, Any]] = {
    str: pa.string(),
    float: pa.float64(),
    int: pa.int64(),
    bool: pa.bool_(),
    datetime: _UTC,
}
_DOCUMENTED: Final[Mapping[str, type[Base]]] = {
    "packs": Pack,
    "readings": schema.Reading,
    "topups": schema.TopUp,
    "usage": schema.Usage,
    "outcomes": schema.Outcome,
}
_OTHERS: Final[Mapping[str, type[Base]]] = {
    "vehicles": schema.Vehicle,
    "assignments": schema.Assignment,
    "suppliers": schema.Supplier,
    "offers": schema.Offer,
    "deliveries": schema.Delivery,
    "costs": schema.CostSheet,
    "issued-forecasts": schema.IssuedForecast,
    "earlier-versions": schema.EarlierVersion,
    "audit": schema.AuditEntry,
}


def _exported(table: type[Base], columns: tuple[str, ...] = ()) -> Exported:
    """Tell how a table is written: as it stands in the store, or in the columns of a documented one."""
    here = table.__table__
    assert isinstance(here, Table)
    headings = columns or tuple(column.name for column in here.columns)
    names = ["id" if columns and table is Pack and name == "pack_id" else name for name in headings]
    types = {h: _TYPES.get(here.c[name].type.python_type, pa.string()) for h, name in zip(headings, names, strict=True)}
    lists = LIST_COLUMNS.intersection(columns)
    return Exported(
        table,
        types,
        lambda row: [list_text(getattr(row, name)) if name in lists else _field(getattr(row, name)) for name in names],
    )


def _field(value: Any) -> Any:
    return json.dumps(value) if isinstance(value, dict | list) else value


EXPORTS: Final[Mapping[str, Exported]] = {
    **{name: _exported(table, COLUMNS[name]) for name, table in _DOCUMENTED.items()},
    **{name: _exported(table) for name, table in _OTHERS.items()},
}
"""By name of the file. The first five are the documented tables; the last three no import takes: they tell what a store
did, not what it holds."""


def write_export(
    session: Session,
    name: str,
    target: BinaryIO,
    form: FileFormat,
    families: Mapping[str, PackFamily],
    since: datetime | None = None,
) -> int:
    """Write one table; return its number of rows.

    Parameters
    ----------
    name : str
        One of `EXPORTS`.
    target : binary file
    form : {"csv", "parquet"}
        CSV is UTF-8 with a header, a point as decimal sign, times in UTC (RFC 3339) and empty fields for what is
        not known. Numbers keep all their digits.
    families : mapping of str to PackFamily
        Tell how many block columns there are.
    since : datetime, optional
        Only rows that came to stand as they are at this moment or later. Of earlier versions those superseded since:
        so a copy that is brought up to date learns what was withdrawn.
    """
    exported = EXPORTS[name]
    blocks = _width(session, families) if name == "readings" else 0
    columns = {**exported.columns, **{block_column(b): pa.float64() for b in range(1, blocks + 1)}}
    rows = _rows(session, exported, blocks, since)
    return _write_csv(rows, columns, target) if form == "csv" else _write_parquet(rows, columns, target)


def export_all(
    session: Session,
    folder: Path,
    form: FileFormat,
    families: Mapping[str, PackFamily],
    since: datetime | None = None,
) -> dict[str, int]:
    """Write every table into a folder, whole or what is new; return the number of rows of each."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    counts = {}
    for name in EXPORTS:
        with (folder / f"{name}.{form}").open("wb") as target:
            counts[name] = write_export(session, name, target, form, families, since)
    return counts


def _rows(session: Session, exported: Exported, blocks: int, since: datetime | None) -> Iterator[list[list[Any]]]:
    key = exported.table.__table__.c.id
    written = next(exported.table.__table__.c[name] for name in _WRITTEN if name in exported.table.__table__.c)
    last: Any = None
    while True:
        query = select(exported.table).order_by(key).limit(CHUNK)
        query = query if since is None else query.where(written >= since)
        rows = list(session.scalars(query if last is None else query.where(key > last)))
        if not rows:
            return
        last = rows[-1].id  # type: ignore[attr-defined]
        if blocks:
            yield [exported.values(row) + _padded(row.block_v, blocks) for row in rows]  # type: ignore[attr-defined]
        else:
            yield [exported.values(row) for row in rows]
        session.expunge_all()


def _padded(volts: list[float | None], width: int) -> list[float | None]:
    return volts + [None] * (width - len(volts))


def _width(session: Session, families: Mapping[str, PackFamily]) -> int:
    used = session.scalars(select(Pack.family).distinct())
    return max((families[name].blocks for name in used if name in families), default=2)


def _write_csv(chunks: Iterator[list[list[Any]]], columns: Mapping[str, Any], target: BinaryIO) -> int:
    count = 0
    text = TextIOWrapper(target, "utf-8", newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    for chunk in chunks:
        count += len(chunk)
        writer.writerows([[csv_field(value) for value in row] for row in chunk])
    text.flush()
    text.detach()
    return count


def csv_field(value: Any) -> Any:
    """Return a value as it is written into a CSV file: times in UTC, and no text of anybody's as a formula."""
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    return f"'{value}" if isinstance(value, str) and _is_formula(value) else value


def text_of_field(value: Any) -> Any:
    """Return what `csv_field` wrote as it was."""
    marked = isinstance(value, str) and value.startswith("'") and csv_field(value[1:]) == value
    return value[1:] if marked else value


def _is_formula(text: str) -> bool:
    """Tell whether a spreadsheet could reckon with a text, or follow it elsewhere (CWE-1236).

    An apostrophe before it makes it text again. Spreadsheets pass over blanks and signs that nobody sees, and some take
    a full-width sign for the plain one (Unicode Standard Annex 15, compatibility decomposition).
    """
    if text.startswith(("\t", "\r", "\n")):
        return True
    seen = (sign for sign in text if not sign.isspace() and unicodedata.category(sign) not in ("Cc", "Cf"))
    return unicodedata.normalize("NFKC", next(seen, "")).startswith(FORMULA_SIGNS)


def _write_parquet(chunks: Iterator[list[list[Any]]], columns: Mapping[str, Any], target: BinaryIO) -> int:
    count = 0
    wanted = pa.schema(list(columns.items()))
    with pq.ParquetWriter(target, wanted) as writer:
        for chunk in chunks:
            count += len(chunk)
            arrays = [
                pa.array(values, kind) for values, kind in zip(zip(*chunk, strict=True), wanted.types, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=wanted))
    return count
