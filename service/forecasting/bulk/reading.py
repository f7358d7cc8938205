"""The documented tables as Parquet, read some thousand packs at a time whatever their number."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from models.base.errors import BadInput
from models.packs.family import PackFamily
from models.packs.tables import TEXT_COLUMNS, HistoryTables, block_column, block_columns
from training.files.tables import COLUMNS, REQUIRED, require_columns

KEPT_GROUPS: Final = 2
"""Row groups of a table kept in memory: packs that follow one another lie in the same or the next one."""


@dataclass(frozen=True)
class _Group:
    """One row group of a file, and between which packs (by their place) its rows lie."""

    path: Path
    number: int
    first: int
    last: int


@dataclass(frozen=True)
class Stray:
    """Rows that belong to no pack."""

    pack_id: str
    reason: str


class FolderReader:
    """A folder of documented tables, as one Parquet file a table or in partitions.

    Raises
    ------
    BadInput
        If a needed table or column is missing, one is not known, or a column is of another type.

    Notes
    -----
    Of all packs only their own table is held in memory, some hundred bytes a pack, and of each other one two row
    groups. Where a table is not in the order of the packs every group is read again for each chunk: right, but slow.
    """

    def __init__(self, folder: Path, families: Mapping[str, PackFamily]) -> None:
        self.families = dict(families)
        self._files = {name: _files_of(folder, name) for name in COLUMNS}
        for name in REQUIRED:
            if not self._files[name]:
                raise BadInput.one(
                    folder.name,
                    f"holds no {name}.parquet and no partitions of {name}.",
                    "Point to a folder with the documented tables as Parquet; `tideover export` writes one.",
                )
        for name, paths in self._files.items():
            for path in paths:
                _require_types(name, path)
        packs = [_frame(pq.read_table(path), "packs") for path in self._files["packs"]]
        self._packs = pd.concat(packs, ignore_index=True)
        twice = self._packs["pack_id"].duplicated(keep=False) | self._packs["pack_id"].isna()
        self.strays = [Stray(str(p), "packs: The pack appears twice. Give each pack one row.")
                       for p in self._packs["pack_id"][twice].drop_duplicates()]  # fmt: skip
        self._packs = self._packs[~twice].reset_index(drop=True)
        # Looked up in for each row group: what finds a name among all packs is made once.
        self._ids = pd.Index(self._packs["pack_id"])
        self._groups = {name: self._index(name) for name in COLUMNS if name != "packs"}
        self._held: OrderedDict[tuple[Path, int], tuple[pa.Table, np.ndarray[Any, Any]]] = OrderedDict()

    def __len__(self) -> int:
        return len(self._packs)

    def _index(self, name: str) -> list[_Group]:
        known = {s.pack_id for s in self.strays}
        groups = []
        for path in self._files[name]:
            file = pq.ParquetFile(path)
            for number in range(file.num_row_groups):
                column = file.read_row_group(number, columns=["pack_id"])["pack_id"]
                names = np.array(pc.unique(column).to_pylist(), dtype=object)
                places = self._ids.get_indexer(pd.Index(names))
                for lost in names[places < 0]:
                    if lost not in known:
                        known.add(lost)
                        self.strays.append(Stray(
                            str(lost), f"{path.name}: The pack is not in packs. Add it, or correct the identifier."
                        ))  # fmt: skip
                if (found := places[places >= 0]).size:
                    groups.append(_Group(path, number, int(found.min()), int(found.max())))
        return groups

    def chunk(self, first: int, count: int) -> HistoryTables:
        """Read some packs, by their place, with all their rows in order of time."""
        packs = self._packs.iloc[first : first + count].reset_index(drop=True)
        frames = {"packs": packs}
        for name, groups in self._groups.items():
            parts = [self._part(group, first, len(packs)) for group in groups if group.last >= first
                     and group.first < first + len(packs)]  # fmt: skip
            table = pa.concat_tables(parts, promote_options="permissive") if parts else None
            frames[name] = _in_order(_frame(table, name))
        width = len(block_columns(frames["readings"]))
        most = max((self.families[f].blocks for f in packs["family"].unique() if f in self.families), default=0)
        if width < most:
            frames["readings"][[block_column(b) for b in range(width + 1, most + 1)]] = np.nan
        return HistoryTables(**frames, families=self.families)

    def _part(self, group: _Group, first: int, count: int) -> pa.Table:
        key = (group.path, group.number)
        if key not in self._held:
            table = pq.ParquetFile(group.path).read_row_group(group.number)
            self._held[key] = table, self._ids.get_indexer(pd.Index(_texts(table["pack_id"])))
            while len(self._held) > KEPT_GROUPS * len(self._groups):
                self._held.popitem(last=False)
        self._held.move_to_end(key)
        table, places = self._held[key]
        inside = (places >= first) & (places < first + count)
        return table if inside.all() else table.filter(pa.array(inside))


def _files_of(folder: Path, name: str) -> list[Path]:
    parts = sorted((folder / name).glob("*.parquet"))
    single = folder / f"{name}.parquet"
    if parts and single.is_file():
        raise BadInput.one(
            folder.name, f"holds the table {name} more than once.", f"Keep one of {name}.parquet and the folder {name}."
        )
    if not parts and not single.is_file():
        # Left out it would go as if nothing of the sort were on record.
        for other in sorted(folder.iterdir()) if folder.is_dir() else []:
            if other.name.split(".")[0].lower() == name:
                raise BadInput.one(
                    other.name,
                    "holds a table, but not as Parquet, so nothing of it would be read.",
                    "Give it as Parquet (`tideover export --format parquet` does), or take it out of the folder.",
                )
    return [single] if single.is_file() else parts


def _require_types(name: str, path: Path) -> None:
    try:
        schema = pq.read_schema(path)
    except (OSError, pa.ArrowException) as error:
        raise BadInput.one(
            path.name, f"cannot be read: {str(error).strip()}.", "Check that the file is whole."
        ) from None
    require_columns(name, schema.names, path.name)
    for field in schema:
        kind = field.type.value_type if pa.types.is_dictionary(field.type) else field.type
        if field.name in TEXT_COLUMNS:
            good = pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_null(kind)
            mend = "Store this column as text."
        elif field.name == "time":
            good = (pa.types.is_timestamp(kind) and kind.tz is not None) or pa.types.is_null(kind)
            mend = "Store times with their time zone."
        else:
            good = pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_null(kind)
            mend = "Store this column as numbers."
        if not good:
            raise BadInput.one(f"{path.name} column {field.name}", f"is of type {kind}.", mend)


def _frame(table: pa.Table | None, name: str) -> pd.DataFrame:
    """Return a table as `HistoryTables` holds it: columns that may be left out are there, and empty."""
    rows = 0 if table is None else table.num_rows
    headings = [] if table is None else table.column_names
    blocks = sorted((h for h in headings if h.startswith("block_")), key=lambda h: int(h.split("_")[1]))
    columns: dict[str, Any] = {}
    for column in (*COLUMNS[name], *blocks):
        values = table[column] if table is not None and column in headings else pa.nulls(rows)
        if column == "time":
            stamps = pd.DatetimeIndex(values.cast(pa.timestamp("us", "UTC")).to_pandas())
            columns[column] = stamps.as_unit("us")
        elif column in TEXT_COLUMNS:
            columns[column] = _texts(values)
        else:
            narrow = pa.types.is_float32(values.type)
            kept = values if narrow else values.cast(pa.float64(), safe=False)
            columns[column] = kept.to_numpy(zero_copy_only=False) if isinstance(kept, pa.Array) else kept.to_numpy()
    return pd.DataFrame(columns)


def _texts(values: pa.Array | pa.ChunkedArray) -> np.ndarray[Any, np.dtype[np.object_]]:
    """Return texts as objects, each different one made once."""
    coded = values.cast(pa.string()).dictionary_encode()
    coded = coded.combine_chunks() if isinstance(coded, pa.ChunkedArray) else coded
    if isinstance(coded, pa.ChunkedArray):  # without a row there is no chunk
        return np.empty(0, dtype=object)
    known = np.array([*coded.dictionary.to_pylist(), None], dtype=object)
    return np.asarray(known[pc.fill_null(coded.indices, len(known) - 1).to_numpy(zero_copy_only=False)])


def _in_order(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.sort_values("time", kind="stable", ignore_index=True)


def chunks_of(packs: int, size: int) -> Iterator[tuple[int, int]]:
    """Yield number and first pack of each chunk."""
    yield from enumerate(range(0, packs, size))
