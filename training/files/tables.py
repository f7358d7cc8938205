"""Reading and writing the documented tables: a folder with one CSV or Parquet file a table."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Final, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel

from models.base.errors import BadInput
from models.base.moments import EARLIEST, LATEST
from models.packs.family import PackFamily
from models.packs.fields import bounds_of, columns_of
from models.packs.history import OutcomeKind, PackHistory, State
from models.packs.tables import (
    FACTS,
    LIST_COLUMNS,
    OUTCOME_COLUMNS,
    PACK_COLUMNS,
    READING_COLUMNS,
    TEXT_COLUMNS,
    TOPUP_COLUMNS,
    USAGE_COLUMNS,
    VOLT_DECIMALS,
    HistoryTables,
    block_column,
    block_columns,
    side_by_side,
)
from training.files.written import blocks_written, moment_written, number_written

COLUMNS: Final[Mapping[str, tuple[str, ...]]] = {
    "packs": PACK_COLUMNS,
    "readings": READING_COLUMNS,
    "topups": TOPUP_COLUMNS,
    "usage": USAGE_COLUMNS,
    "outcomes": OUTCOME_COLUMNS,
}
REQUIRED: Final = ("packs", "readings", "topups")
_FACTS: Final[Mapping[str, type[BaseModel]]] = {"packs": PackHistory, **FACTS}
_MAY_LACK: Final[Mapping[str, frozenset[str]]] = {
    name: frozenset(c.name for c in columns_of(fact) if c.optional and c.kind != "time")
    for name, fact in _FACTS.items()
}
_BLOCK_HEADING: Final = re.compile(r"block_\d+_v")
_ALLOWED: Final[Mapping[str, tuple[str, ...]]] = {"state": get_args(State), "kind": get_args(OutcomeKind)}


def write_tables(tables: HistoryTables, folder: Path, *, suffix: str = "csv") -> None:
    """Write each table to ``folder/<name>.<suffix>``, ``csv`` or ``parquet``.

    CSV files are UTF-8 with a header, a point as decimal sign, at most four decimals, times as RFC 3339 in UTC and
    empty fields for what is not known; the same tables always give the same bytes. A column that may be left out, and
    holds nothing, is.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, whole in tables.frames().items():
        empty = [c for c in whole.columns if c in _MAY_LACK[name] and len(whole) and whole[c].isna().all()]
        frame = whole.drop(columns=empty)
        path = folder / f"{name}.{suffix}"
        if suffix == "parquet":
            frame.to_parquet(path, index=False)
            continue
        out = pd.DataFrame(index=frame.index)
        for column in frame.columns:
            values = frame[column]
            if column == "time":
                out[column] = values.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
            elif column in TEXT_COLUMNS:
                out[column] = values
            else:
                out[column] = values.astype(np.float64).round(VOLT_DECIMALS)
        out.to_csv(path, index=False, lineterminator="\n")


def _sources(folder: Path, name: str) -> list[Path]:
    """Files of one table: a CSV, a Parquet file, or the partitions of a simulated cohort."""
    parts = sorted((folder / name).glob("part-*.parquet"))
    single = [p for p in (folder / f"{name}.csv", folder / f"{name}.parquet") if p.is_file()]
    if len(single) + bool(parts) > 1:
        raise BadInput.one(
            str(folder.name),
            f"holds the table {name} more than once.",
            f"Keep one of {name}.csv, {name}.parquet and the folder {name}.",
        )
    return single or parts


def _read_one(path: Path, name: str) -> pd.DataFrame:
    try:
        frame = (
            pd.read_parquet(path)
            if path.suffix == ".parquet"
            else pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise BadInput.one(
            path.name, f"cannot be read as CSV: {str(error).strip()}.", "Save it as UTF-8 CSV with a header row."
        ) from None
    except (OSError, ValueError) as error:
        raise BadInput.one(
            path.name, f"cannot be read: {str(error).strip()}.", "Check that the file is whole."
        ) from None
    require_columns(name, list(frame.columns), path.name)
    count = sum(c.startswith("block_") for c in frame.columns) if name == "readings" else 0
    columns = [*COLUMNS[name], *(block_column(b) for b in range(1, count + 1))]
    read = _typed if path.suffix == ".parquet" else _parsed
    found = pd.DataFrame(
        {
            c: read(frame[c], c, path.name) if c in frame else pd.Series([None] * len(frame), dtype=_dtype(c))
            for c in columns
        }
    )
    _check(found, name, path.name)
    return found


def require_columns(name: str, headings: list[str], where: str) -> None:
    """Refuse a documented table that lacks a needed column, or has one of which nothing is known.

    A column that may be empty in every row may be left out.

    Parameters
    ----------
    name : str
        Of the table.
    where : str
        The file, for the error.

    Raises
    ------
    BadInput
    """
    known = COLUMNS[name]
    for sign, words in (";", "semicolons"), ("\t", "tabs"):
        if len(headings) == 1 and sign in headings[0]:
            raise BadInput.one(
                where,
                f"Its columns are separated by {words}, those of the documented tables by commas.",
                "Save it with commas. Or import the file with a mapping: `tideover guess FILE` makes one.",
            )
    blocks = [h for h in headings if name == "readings" and _BLOCK_HEADING.fullmatch(h)]
    expected = [block_column(b) for b in range(1, len(blocks) + 1)]
    if set(blocks) != set(expected):
        raise BadInput.one(where, "The block columns are not numbered one by one.", f"Name them {', '.join(expected)}.")
    for column in known:
        if column not in headings and column not in _MAY_LACK[name]:
            raise BadInput.one(where, f"It lacks the column {column}.", f"Give the columns {', '.join(known)}.")
    for heading in headings:
        if heading not in known and heading not in blocks:
            raise BadInput.one(
                f"{where} column {heading}",
                "This is no column of the documented tables.",
                f"Rename or remove it; known are {', '.join((*known, *blocks))}. Or import the file with a mapping: "
                "`tideover guess FILE` makes one.",
            )


_TIME_MEND: Final = "Write times with their offset, as in 2026-03-02T08:30:00+00:00."
_BLOCKS: Final = r"[1-9]\d{0,2}( [1-9]\d{0,2})*"
_BLOCKS_MEND: Final = "Write block numbers from 1, separated by single spaces."
_NUMBER_MEND: Final = "Give a plain finite number with a decimal point, or leave the field empty."


def _refuse(bad: NDArray[np.bool_], values: pd.Series[Any], file: str, column: str, what: str, mend: str) -> None:
    """Raise for the first bad row, named as a spreadsheet names it: the header is row 1."""
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise BadInput.one(f"{file} row {row + 2} column {column}", f"'{values.iloc[row]}' {what}", mend)


def _words(values: pd.Series[Any], known: pd.Series[Any]) -> pd.Series[Any]:
    """Return words, None where there is none, of the type that pandas gives words of its own accord.

    That is `object`, and from pandas 3 on its own: tables that are read and those that are made must be of one.
    """
    return pd.Series(values.astype(object).where(known, None).to_numpy(dtype=object), index=values.index)


def _parsed(values: pd.Series[Any], column: str, file: str) -> pd.Series[Any]:
    """Turn a column of CSV text into its type: what is written as usual all at once, the rest field by field."""
    text = values.str.strip()
    blank = text == ""
    result: pd.Series[Any]
    read: Callable[[str], Any]
    if column == "time":
        result = pd.to_datetime(text.where(~blank, None), utc=True, errors="coerce", format="ISO8601").astype(
            "datetime64[us, UTC]"
        )
        usual = result.notna() & text.str.contains(r"(?:[Zz]|[+-]\d\d:?\d\d)$", regex=True)
        read, mend = _moment, _TIME_MEND
    elif column == "blocks":
        result, usual = _words(text, ~blank), text.str.fullmatch(_BLOCKS)
        read, mend = _blocks, _BLOCKS_MEND
    elif column in TEXT_COLUMNS:
        return _words(text, ~blank)
    else:
        result = pd.to_numeric(text.where(~blank, None), errors="coerce").astype(np.float64)
        usual = result.abs() < np.inf
        read, mend = partial(_number, column="block_v" if _BLOCK_HEADING.fullmatch(column) else column), _NUMBER_MEND
    rest = np.flatnonzero(~(usual | blank).to_numpy(dtype=bool))
    found: list[Any] = []
    for row in rest:
        try:
            found.append(read(text.iloc[row]))
        except ValueError:
            what = "names no blocks." if column == "blocks" else "cannot be read."
            _refuse(np.arange(len(text)) == row, text, file, column, what, mend)
    told = pd.Series(found, index=result.index[rest], dtype=result.dtype)
    result.loc[told.index] = told
    return result


def _moment(text: str) -> datetime:
    found = moment_written(text)
    if found.tzinfo is None or not EARLIEST <= found < LATEST:
        raise ValueError("the time has no offset, or a year that cannot be meant")
    return found.astimezone(UTC)


def _blocks(text: str) -> str:
    return " ".join(map(str, blocks_written(text)))


def _number(text: str, column: str) -> float:
    number, scale = number_written(text, column)
    number = number if scale is None else number * scale[0] + scale[1]
    if not np.isfinite(number):
        raise ValueError("it is not finite")
    return number


def _typed(values: pd.Series[Any], column: str, file: str) -> pd.Series[Any]:
    """Check the type of a Parquet column."""
    if column in TEXT_COLUMNS:
        known = _words(values, values.notna())
        strange = np.array([not isinstance(v, str) for v in known], dtype=bool) & known.notna().to_numpy()
        _refuse(strange, known, file, column, "is not text.", "Store this column as text.")
        return known
    if column == "time":
        if not isinstance(values.dtype, pd.DatetimeTZDtype):
            raise BadInput.one(
                f"{file} column time",
                f"is of type {values.dtype}, without an offset.",
                "Store times with their time zone.",
            )
        times: pd.Series[Any] = values.dt.tz_convert("UTC").astype("datetime64[us, UTC]")
        return times
    if not pd.api.types.is_numeric_dtype(values.dtype):
        raise BadInput.one(f"{file} column {column}", f"is of type {values.dtype}.", "Store this column as numbers.")
    numbers = values.astype(np.float32 if values.dtype == np.float32 else np.float64)
    _refuse(np.isinf(numbers.to_numpy()), numbers, file, column, "cannot be read.", _NUMBER_MEND)
    return numbers


_OUTSIDE: Final[Mapping[str, Any]] = {"ge": np.less, "gt": np.less_equal, "le": np.greater, "lt": np.greater_equal}
_WORDS: Final[Mapping[str, str]] = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}


def _check(frame: pd.DataFrame, name: str, file: str) -> None:
    """Check the values of a table, row by row in the order of the file."""
    for column in COLUMNS[name]:
        values = frame[column]
        needed = column in TEXT_COLUMNS - _MAY_LACK[name] or (column == "time" and name != "usage")
        if needed and values.isna().any():
            row = int(np.flatnonzero(values.isna().to_numpy())[0])
            raise BadInput.one(f"{file} row {row + 2} column {column}", "is empty.", "Fill it in, or remove the row.")
        if column in _ALLOWED:
            allowed = _ALLOWED[column]
            _refuse(
                ~values.isin(allowed).to_numpy(),
                values,
                file,
                column,
                "is not known.",
                f"Write one of {', '.join(allowed)}.",
            )
        elif column == "blocks":
            good = values.astype(str).str.fullmatch(_BLOCKS)
            _refuse(
                ~good.to_numpy(dtype=bool),
                values,
                file,
                column,
                "names no blocks.",
                _BLOCKS_MEND,
            )
        elif column in LIST_COLUMNS:
            good = values.isna() | values.astype(str).str.fullmatch(r"(nan|\d+(\.\d+)?)( (nan|\d+(\.\d+)?))*")
            mend = "Write one number for each block, separated by single spaces; nan for one that is not known."
            _refuse(~good.to_numpy(dtype=bool), values, file, column, "is no list of numbers.", mend)
        elif column not in TEXT_COLUMNS and column != "time":
            for sign, limit in bounds_of(_FACTS[name], column):
                _refuse(
                    _OUTSIDE[sign](values.to_numpy(np.float64), limit),
                    values,
                    file,
                    column,
                    "is out of range.",
                    f"It must be {_WORDS[sign]} {limit:g}.",
                )


def read_tables(folder: Path, families: Mapping[str, PackFamily]) -> HistoryTables:
    """Read a folder of documented tables.

    Parameters
    ----------
    folder : Path
        Holds ``packs``, ``readings``, ``topups`` and, if known, ``usage`` and ``outcomes``, as CSV or Parquet, or the
        partitions of a simulated cohort.

    Raises
    ------
    BadInput
        With file, row and column of the first wrong field, or the missing file, column or family.
    """
    frames: dict[str, pd.DataFrame] = {}
    for name, columns in COLUMNS.items():
        sources = _sources(folder, name)
        if not sources and name in REQUIRED:
            raise BadInput.one(
                str(folder.name),
                f"holds no {name}.csv or {name}.parquet.",
                "Point to a folder with the documented tables.",
            )
        read = [(path.name, _read_one(path, name)) for path in sources]
        for file, frame in read:
            if name == "packs":
                _check_packs(frame, file, families)
            else:
                known = frames["packs"].set_index("pack_id")["family"]
                _check_belonging(frame, file, name, known, families)
        parts = [frame for _, frame in read]
        frames[name] = (
            pd.concat(parts, ignore_index=True)
            if parts
            else pd.DataFrame({c: pd.Series(dtype=_dtype(c)) for c in columns})
        )
        if name == "packs":
            _check_packs(frames[name], "packs", families)
    width = len(block_columns(frames["readings"]))
    need = max((families[f].blocks for f in frames["packs"]["family"]), default=0)
    if width < need:
        frames["readings"] = frames["readings"].assign(**{block_column(b): np.nan for b in range(width + 1, need + 1)})
    # Rows are sorted only now, so that every problem above names the row of the file.
    ordered = {
        n: f.sort_values(["pack_id", "time"], kind="stable", ignore_index=True) if "time" in f else f
        for n, f in frames.items()
    }
    return HistoryTables(**ordered, families=families)


def read_sisters(folder: Path, families: Mapping[str, PackFamily]) -> HistoryTables:
    """Read the records of several workshops, a folder of documented tables each, as one.

    Parameters
    ----------
    folder : Path
        Holds one folder a workshop; what else lies there is passed over.
    families : mapping of str to PackFamily

    Raises
    ------
    BadInput
        As for `read_tables`, with the workshop's folder; or the folder holds none.
    """
    parts: dict[str, HistoryTables] = {}
    for part in sorted(path for path in folder.iterdir() if path.is_dir() and not path.name.startswith(".")):
        try:
            parts[part.name] = read_tables(part, families)
        except BadInput as wrong:
            problems = [replace(p, where=f"{part.name}, {p.where}") for p in wrong.problems]
            raise BadInput(problems) from None
    if not parts:
        raise BadInput.one(
            str(folder),
            "holds no folder of a workshop.",
            "Put one folder of tables for each workshop there, as `tideover export` writes them.",
        )
    return side_by_side(parts)


def _dtype(column: str) -> Any:
    return "datetime64[us, UTC]" if column == "time" else object if column in TEXT_COLUMNS else np.float64


def _check_packs(frame: pd.DataFrame, file: str, families: Mapping[str, PackFamily]) -> None:
    ids = frame["pack_id"]
    _refuse(ids.duplicated().to_numpy(), ids, file, "pack_id", "appears twice.", "Give each pack one row.")
    known = f"Known are {', '.join(families)}; or add a family file."
    _refuse(
        ~frame["family"].isin(list(families)).to_numpy(),
        frame["family"],
        file,
        "family",
        "is not a known family.",
        known,
    )


def _check_belonging(
    frame: pd.DataFrame, file: str, name: str, family_of: pd.Series[Any], families: Mapping[str, PackFamily]
) -> None:
    ids = frame["pack_id"]
    _refuse(
        ~ids.isin(family_of.index).to_numpy(),
        ids,
        file,
        "pack_id",
        "is not in packs.",
        "Add the pack, or correct the identifier.",
    )
    blocks = ids.map(family_of).map({n: f.blocks for n, f in families.items()}).to_numpy(np.float64)
    if name == "topups":
        highest = np.array([max(map(int, b.split())) for b in frame["blocks"]], dtype=np.float64)
        _refuse(
            highest > blocks,
            frame["blocks"],
            file,
            "blocks",
            "names a block that the family does not have.",
            "Count blocks from 1.",
        )
    elif name == "readings":
        columns = block_columns(frame)
        volts = frame[columns].to_numpy(np.float64)
        cells = ids.map(family_of).map({n: f.cells_per_block for n, f in families.items()}).to_numpy(np.float64)
        most = ids.map(family_of).map({n: f.max_cell_v for n, f in families.items()}).to_numpy(np.float64)
        beyond = ~np.isnan(volts) & (np.arange(1, len(columns) + 1) > blocks[:, None])
        with np.errstate(invalid="ignore"):
            beyond |= (volts < -0.5 * cells[:, None]) | (volts > 1.25 * (cells * most)[:, None])
        if beyond.any():
            row, place = (int(v[0]) for v in np.nonzero(beyond))
            raise BadInput.one(
                f"{file} row {row + 2} column {columns[place]}",
                f"{volts[row, place]:g} V is impossible for this block of family {family_of[ids.iloc[row]]}.",
                "Give volts per block (not millivolts, not per cell), in the blocks that the family has.",
            )
