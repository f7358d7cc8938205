"""Packed files, Parquet and spreadsheets: unpacked once for all the passes that are made over them.

A process of its own unpacks (see `unpacking`). What it told is kept for the next pass while `unpacked_once` lasts.
Where that would be more than `MOST_KEPT_BYTES`, each pass unpacks the file again.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import Any

import pyarrow as pa

from models.base.errors import BadInput
from service.exchange.imports.limits import MOST_KEPT_BYTES, REFUSED, SHEETS


class Unpacking:
    """A file being unpacked, read as far as anybody has asked.

    Parameters
    ----------
    sheet : str
        Of a spreadsheet; empty for the first.
    keep : bool
        Whether what was read is kept for another pass.

    Attributes
    ----------
    schema : pyarrow.Schema
        Its columns; of a spreadsheet also the names of its sheets (`unpacking.SHEET_NAMES`).
    """

    def __init__(self, path: Path, sheet: str, *, keep: bool) -> None:
        self.path = path
        self.again = keep
        self._kept: list[pa.RecordBatch] = []
        self._bytes = self._read = 0
        command = [sys.executable, "-m", "service.exchange.imports.unpacking", str(path.absolute()), sheet]
        environment = os.environ | {"ARROW_DEFAULT_MEMORY_POOL": "system", "OMP_NUM_THREADS": "1"}
        self._told = tempfile.TemporaryFile()  # noqa: SIM115  closed by `close`
        self._process = subprocess.Popen(  # noqa: S603  our own program
            command, stdout=subprocess.PIPE, stderr=self._told, env=environment
        )
        try:
            with self._said_plainly():
                self._stream = pa.ipc.open_stream(self._process.stdout)
                self.schema = self._stream.schema
        except BaseException:
            self.close()
            raise

    def rows(self) -> Iterator[tuple[Any, ...]]:
        """Yield the fields of each row, from the first on.

        Raises
        ------
        BadInput
            It cannot be unpacked to its end.
        """
        place = 0
        with self._said_plainly():
            while (batch := self._batch(place)) is not None:
                place += 1
                yield from zip(*(column.to_pylist() for column in batch.columns), strict=True)

    def close(self) -> None:
        """End the process, wherever it is."""
        self._process.kill()
        self._process.communicate()
        self._told.close()

    def _batch(self, place: int) -> pa.RecordBatch | None:
        if place < len(self._kept):
            return self._kept[place]
        assert place == self._read, "two passes at once over a file that is too large to be kept"
        try:
            batch = self._stream.read_next_batch()
        except StopIteration:
            self._require_whole("")
            return None
        self._read += 1
        self._bytes += batch.nbytes
        self.again = self.again and self._bytes <= MOST_KEPT_BYTES
        if self.again:
            self._kept.append(batch)
        else:
            self._kept.clear()
        return batch

    @contextmanager
    def _said_plainly(self) -> Iterator[None]:
        try:
            yield
        except BadInput:
            raise
        except (pa.ArrowException, ArithmeticError, LookupError, OSError, ValueError) as error:
            self._process.kill()
            self._require_whole(f": {str(error)[:300]}")

    def _require_whole(self, reason: str) -> None:
        status = self._process.wait()
        if status == REFUSED:
            self._told.seek(0)
            raise BadInput.one(self.path.name, **json.loads(self._told.read())) from None
        if status != 0 or reason:
            kind = "spreadsheet" if self.path.suffix in SHEETS else "Parquet file"
            raise BadInput.one(
                self.path.name, f"It is not a {kind} that can be read{reason}.", "Check how it was made."
            ) from None


_HELD: ContextVar[dict[tuple[Path, str], Unpacking] | None] = ContextVar("unpacked", default=None)


@contextmanager
def unpacked_once() -> Iterator[None]:
    """Unpack each file once for all the passes inside; within another such block nothing changes."""
    if _HELD.get() is not None:
        yield
        return
    held: dict[tuple[Path, str], Unpacking] = {}
    token = _HELD.set(held)
    try:
        yield
    finally:
        _HELD.reset(token)
        for one in held.values():
            one.close()


@contextmanager
def unpacked(path: Path, sheet: str = "") -> Iterator[Unpacking]:
    """Give a file for one pass, unpacked as far as earlier passes went.

    Raises
    ------
    BadInput
        It cannot be unpacked.
    """
    held = _HELD.get()
    key = (path.absolute(), sheet)
    if held is not None and key not in held:
        held[key] = Unpacking(path, sheet, keep=True)
    if held is not None and held[key].again:
        yield held[key]
        return
    one = Unpacking(path, sheet, keep=False)
    try:
        yield one
    finally:
        one.close()
