"""From a folder of tables to a folder of forecasts: in chunks of bounded memory, each kept when it is done."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Final

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from joblib import Parallel, delayed

from models.base.day_grid import GRID_VERSION
from models.base.errors import BadInput
from models.base.threads import thread_limit
from models.forecaster import Forecaster
from models.packs.family import PackFamily
from models.packs.tables import HistoryTables
from service.core.memory import without_collection
from service.core.scheduler import spread_over
from service.forecasting.bulk.columns import SCHEMA_VERSION, refused_table, scored_table
from service.forecasting.bulk.reading import FolderReader, chunks_of

CHUNK_PACKS: Final = 10_000
"""Packs forecast at a time: about 300 MB with ten readings each. It changes how rows are cut into files, never them."""

CHUNKS_TOGETHER: Final = 4
"""Pieces of work for each worker: enough that one that is slow, or lost, holds up the others little."""

RUN_FILE: Final = "run.json"

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Counted:
    """What came of a run, or of a part of it.

    Attributes
    ----------
    forecasts, refused : int
        Packs, earlier runs of the same work included.
    """

    forecasts: int
    refused: int


def score_tables(
    forecaster: Forecaster, tables: HistoryTables, at: datetime | None = None
) -> tuple[pa.Table, pa.Table]:
    """Forecast the packs of some tables.

    Parameters
    ----------
    tables : HistoryTables
        Rows of one pack in order of time.
    at : datetime, optional
        Moment of all forecasts, with offset; each pack's newest reading, top-up or plan if left out.

    Returns
    -------
    scored, refused : Table
        `columns.SCORED`, and the packs of which no figure is given.
    """
    moments = None
    if at is not None:
        moments = pd.DataFrame({"pack_id": tables.packs["pack_id"], "origin": pd.Timestamp(at).tz_convert("UTC")})
    with thread_limit(1), without_collection():
        batch, refused = forecaster.forecast_each(tables, moments)
        later = {} if moments is None else forecaster.flags_of_later(tables, moments)
        return scored_table(forecaster, batch, later), refused_table(forecaster, refused, [])


def score_folder(
    forecaster: Forecaster,
    source: Path,
    target: Path,
    families: Mapping[str, PackFamily],
    *,
    at: datetime | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> Counted:
    """Forecast every pack of a folder of documented tables (Parquet).

    Writes ``scored/part-….parquet`` and ``refused/part-….parquet``. Parts that an earlier run of the same work has
    finished are left as they are, so a run that was cut off goes on where it stood.

    Parameters
    ----------
    source, target : Path
        With a scheduler its workers must see both under the same names.
    at : datetime, optional
        As for `score_tables`.
    workers : int
        Processes side by side on this machine; with a scheduler, roughly how many workers it has.
    scheduler : str, optional
        Address of a Dask scheduler whose workers do the work. One that is lost is replaced by another.
    progress : callable, optional
        Told packs done and packs in all.

    Raises
    ------
    BadInput
        If a table is missing or of another shape, or the target holds other work.
    """
    if at is not None and at.tzinfo is None:
        raise BadInput.one("at", "has no offset.", "Write the time as in 2026-03-02T08:30:00+00:00.")
    reader = FolderReader(source, families)
    _begin(target, _work(forecaster, source, at))
    if reader.strays:
        _write(refused_table(forecaster, [], reader.strays), target / "refused" / "strays.parquet")
    every = list(chunks_of(len(reader), CHUNK_PACKS))
    waiting = [chunk for chunk in every if not _part(target, "scored", chunk[0]).exists()]
    done = CHUNK_PACKS * (len(every) - len(waiting))
    # Chunks that follow one another lie in the same row groups, so a worker gets some of them together.
    together = -(-len(waiting) // (CHUNKS_TOGETHER * workers)) if workers > 1 or scheduler else 1
    pieces = [waiting[n : n + together] for n in range(0, len(waiting), together or 1)]
    with spread_over(scheduler):
        ready = Parallel(n_jobs=-1 if scheduler else workers, return_as="generator_unordered")
        work = partial(
            _score_some, forecaster, reader if workers == 1 and not scheduler else source, families, target, at
        )
        for packs in ready(delayed(work)(piece) for piece in pieces):
            done += packs
            if progress is not None:
                progress(min(done, len(reader)), len(reader))
    return Counted(*(_rows(target / name) for name in ("scored", "refused")))


def _score_some(
    forecaster: Forecaster,
    source: FolderReader | Path,
    families: Mapping[str, PackFamily],
    target: Path,
    at: datetime | None,
    chunks: list[tuple[int, int]],
) -> int:
    reader = FolderReader(source, families) if isinstance(source, Path) else source
    packs = 0
    for number, first in chunks:
        tables = reader.chunk(first, CHUNK_PACKS)
        scored, refused = score_tables(forecaster, tables, at)
        _write(refused, _part(target, "refused", number))
        _write(scored, _part(target, "scored", number))
        packs += len(tables.packs)
    return packs


def _part(target: Path, kind: str, number: int) -> Path:
    return target / kind / f"part-{number:05d}.parquet"


def _write(table: pa.Table, path: Path) -> None:
    """Write a file that is there whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_suffix(f".{os.getpid()}.unfinished")
    curves = [field.name for field in table.schema if pa.types.is_fixed_size_list(field.type)]
    texts = [name for name in ("family", "group") if name in table.column_names]
    pq.write_table(table, unfinished, compression="lz4", use_dictionary=texts, write_statistics=not curves)
    unfinished.replace(path)


def _rows(folder: Path) -> int:
    return sum(pq.read_metadata(path).num_rows for path in sorted(folder.glob("*.parquet")))


def _work(forecaster: Forecaster, source: Path, at: datetime | None) -> dict[str, Any]:
    """Tell one piece of work from another: model, moment, and the files with their sizes."""
    files = {str(p.relative_to(source)): p.stat().st_size for p in sorted(source.rglob("*.parquet"))}
    return {
        "schema": SCHEMA_VERSION,
        "grid_version": GRID_VERSION,
        "model_id": forecaster.model_id,
        "at": None if at is None else at.isoformat(),
        "chunk_packs": CHUNK_PACKS,
        "files": files,
    }


def _begin(target: Path, work: dict[str, Any]) -> None:
    run = target / RUN_FILE
    if run.is_file():
        if json.loads(run.read_text(encoding="utf-8")) != work:
            raise BadInput.one(
                target.name,
                "holds forecasts of other tables, another model or another moment.",
                "Name an empty folder.",
            )
    elif target.exists() and any(target.iterdir()):
        raise BadInput.one(target.name, "is not empty.", "Name an empty folder, or one that does not exist yet.")
    else:
        target.mkdir(parents=True, exist_ok=True)
        run.write_text(json.dumps(work, indent=1), encoding="utf-8")
