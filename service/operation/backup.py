"""Backups of the store and the models while the service runs, and restoring them into either database.

A backup is a folder: one Parquet file a table, a copy of the models, and a manifest with the digest of every file. It
is one state of the store, as both databases let a reader see one while others write, and it is the same for both, so
that a store can move from SQLite to PostgreSQL and back.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq
from sqlalchemy import JSON, Connection, Table, insert, select, text

from models.base.errors import BadInput
from service.store.opening import Store
from service.store.upgrading import known_revisions, newest_revision, of_empty_store, revision_of, tables_of
from training.registry.own_files import to_disk

MANIFEST: Final = "manifest.json"
FORMAT: Final = "tideover-backup-1"
ROWS: Final = 5_000
LOGS: Final = 20
"""Rows at a time of a table each of whose rows may hold megabytes. Our choice."""

_TYPES: Final[dict[type, Any]] = {
    str: pa.string(),
    float: pa.float64(),
    int: pa.int64(),
    bool: pa.bool_(),
    bytes: pa.binary(),
    datetime: pa.timestamp("us", tz="UTC"),
}


def back_up(store: Store, models: Path, folder: Path, now: datetime, families: Path | None = None) -> dict[str, int]:
    """Write a backup; return the rows of each table.

    Parameters
    ----------
    models : Path
        Folder of the model registry.
    folder : Path
        Must not be there yet. It is complete when it has that name.
    families : Path, optional
        Folder of the own pack families, without which packs of theirs cannot be read.

    Raises
    ------
    BadInput
        The folder is there already.
    """
    if folder.exists():
        raise BadInput.one(str(folder), "It is there already.", "Give a name that is not taken.")
    engine = store.engine if store.is_sqlite else store.engine.execution_options(isolation_level="REPEATABLE READ")
    with engine.connect() as connection, connection.begin(), _whole(folder) as unfinished:
        revision = revision_of(connection)
        if revision is None:
            raise BadInput.one("the database", "There is nothing in it.", "Check TIDEOVER_HOME and TIDEOVER_DATABASE.")
        tables = tables_of(connection)
        counts = {t.name: _write(connection, t, unfinished / f"{t.name}.parquet") for t in tables}
        if models.is_dir():
            shutil.copytree(models, unfinished / "models")
        if families is not None and families.is_dir():
            shutil.copytree(families, unfinished / "families")
        manifest = {
            "format": FORMAT,
            "made_at": now.isoformat(),
            "program": version("tideover"),
            "schema": revision,
            "rows": counts,
            "last_numbers": _last_numbers(connection, tables),
            "sha256": {name: _digest(unfinished / name) for name in _files(unfinished)},
        }
        (unfinished / MANIFEST).write_text(json.dumps(manifest, indent=1))
    return counts


def restore(store: Store, models: Path, folder: Path, families: Path | None = None) -> dict[str, int]:
    """Fill an empty store, and an empty registry, from a backup; return the rows of each table.

    A backup of an older schema is restored as it is and then brought up to date, all in one transaction. Models come
    first: where that was the last thing that came to pass, the same backup is restored again as if nothing had.

    Parameters
    ----------
    store : Store
        Of any schema, or without one.
    models : Path
        Folder of the model registry.
    families : Path, optional
        Folder of the own pack families.

    Raises
    ------
    BadInput
        The backup is damaged or of a schema that is not known, or there is something else in the store or the
        registry already.
    """
    manifest = _checked(folder)
    with of_empty_store(store, manifest["schema"]) as connection:
        _restore_models(models, folder, manifest["sha256"])
        if families is not None and (folder / "families").is_dir():
            # Those that are there already stay: a file of the same name may have been put right since.
            families.mkdir(mode=0o700, parents=True, exist_ok=True)
            for path in (folder / "families").glob("*.toml"):
                if not (families / path.name).exists():
                    shutil.copy(path, families / path.name)
        tables = tables_of(connection)
        for table in tables:
            for rows in _read(table, folder / f"{table.name}.parquet"):
                connection.execute(insert(table), rows)
        _set_last_numbers(connection, tables, manifest["last_numbers"])
    rows_of: dict[str, int] = manifest["rows"]
    return rows_of


def _restore_models(models: Path, folder: Path, digests: Mapping[str, str]) -> None:
    there = {f"models/{name}": _digest(models / name) for name in _files(models)} if models.is_dir() else {}
    if there and there != {name: digest for name, digest in digests.items() if name.startswith("models/")}:
        raise BadInput.one(str(models), "There are models already.", "Restore into a new home.")
    if not there and (folder / "models").is_dir():
        if models.is_dir():
            shutil.rmtree(models)  # folders without a file, as a rename would not replace them
        with _whole(models) as unfinished:
            shutil.copytree(folder / "models", unfinished, dirs_exist_ok=True)


@contextmanager
def _whole(folder: Path) -> Iterator[Path]:
    """Yield a folder to be filled, which has its name at the end of the block, or is not there at all."""
    unfinished = folder.with_name(f".{folder.name}.unfinished")
    shutil.rmtree(unfinished, ignore_errors=True)
    unfinished.mkdir(mode=0o700, parents=True)
    try:
        yield unfinished
        # What a power cut must not take back is on the disk before it has its name.
        for path in (*unfinished.rglob("*"), unfinished):
            to_disk(path)
        unfinished.rename(folder)
        to_disk(folder.parent)
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)


def rows_at_once(table: Table) -> int:
    """Return how many rows of a table are held at a time."""
    return LOGS if table.name == "drive_logs" else ROWS


def _write(connection: Connection, table: Table, path: Path) -> int:
    wanted = pa.schema([(c.name, _TYPES.get(c.type.python_type, pa.string())) for c in table.columns])
    as_json = [isinstance(column.type, JSON) for column in table.columns]
    count = 0
    with pq.ParquetWriter(path, wanted) as writer:
        result = connection.execution_options(yield_per=rows_at_once(table)).execute(
            select(table).order_by(*table.primary_key)
        )
        for part in result.partitions():
            count += len(part)
            columns = []
            for values, kind, packed in zip(zip(*part, strict=True), wanted.types, as_json, strict=True):
                plain = [None if v is None else json.dumps(v) for v in values] if packed else list(values)
                columns.append(pa.array(plain, kind))
            writer.write_table(pa.Table.from_arrays(columns, schema=wanted))
    return count


def _read(table: Table, path: Path) -> Iterator[list[dict[str, Any]]]:
    as_json = [column.name for column in table.columns if isinstance(column.type, JSON)]
    for batch in pq.ParquetFile(path).iter_batches(rows_at_once(table)):
        rows: list[dict[str, Any]] = batch.to_pylist()
        for row in rows:
            row |= {name: None if row[name] is None else json.loads(row[name]) for name in as_json}
        yield rows


def _numbered(tables: list[Table]) -> list[str]:
    return [t.name for t in tables if "id" in t.c and t.c.id.type.python_type is int]


def _last_numbers(connection: Connection, tables: list[Table]) -> dict[str, int]:
    """Return the last number given out in each table, so that those of withdrawn records stay taken."""
    if connection.dialect.name == "sqlite":
        return {
            str(name): int(last) for name, last in connection.execute(text("SELECT name, seq FROM sqlite_sequence"))
        }
    found = {}
    for name in _numbered(tables):
        last, given = connection.execute(text(f"SELECT last_value, is_called FROM {name}_id_seq")).one()  # noqa: S608
        found[name] = int(last) if given else 0
    return found


def _set_last_numbers(connection: Connection, tables: list[Table], numbers: dict[str, int]) -> None:
    for name in _numbered(tables):
        last = numbers.get(name, 0)
        if not last:
            continue
        if connection.dialect.name == "sqlite":
            connection.execute(text("DELETE FROM sqlite_sequence WHERE name = :name"), {"name": name})
            connection.execute(
                text("INSERT INTO sqlite_sequence (name, seq) VALUES (:name, :last)"), {"name": name, "last": last}
            )
        else:
            connection.execute(text("SELECT setval(:sequence, :last)"), {"sequence": f"{name}_id_seq", "last": last})


def _checked(folder: Path) -> dict[str, Any]:
    try:
        manifest: dict[str, Any] = json.loads((folder / MANIFEST).read_text())
    except (OSError, ValueError):
        raise BadInput.one(
            str(folder), "It is no complete backup.", "Name a folder made by `tideover backup`."
        ) from None
    if manifest.get("format") != FORMAT or manifest["schema"] not in known_revisions():
        what = (
            f"It has the schema {manifest.get('schema')}, which is not known here; the newest is {newest_revision()}."
        )
        raise BadInput.one(str(folder), what, "Restore it with the program that made it, or a newer one.")
    if set(_files(folder)) != set(manifest["sha256"]):
        raise BadInput.one(str(folder), "Files are missing or were added.", "Use another backup.")
    for name, digest in manifest["sha256"].items():
        if _digest(folder / name) != digest:
            raise BadInput.one(name, "The file is not the one that was backed up.", "Use another backup.")
    return manifest


def _files(folder: Path) -> list[str]:
    found = (path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    return sorted(name for name in found if name != MANIFEST)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
