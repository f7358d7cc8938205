"""Reading and writing the documented tables: a folder with one CSV or Parquet file a table."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from models.families import PackFamily
from models.problems import BadInput
from models.tables import (
    OUTCOME_COLUMNS,
    PACK_COLUMNS,
    READING_COLUMNS,
    TEXT_COLUMNS,
    TOPUP_COLUMNS,
    USAGE_COLUMNS,
    HistoryTables,
    block_column,
    block_columns,
)

COLUMNS: Mapping[str, tuple[str, ...]] = {
    "packs": PACK_COLUMNS,
    "readings": READING_COLUMNS,
    "topups": TOPUP_COLUMNS,
    "usage": USAGE_COLUMNS,
    "outcomes": OUTCOME_COLUMNS,
}
_REQUIRED = ("packs", "readings", "topups")
_DECIMALS: Mapping[str, int] = {"age_years": 1, "odometer_km": 0, "current_a": 1, "temperature_c": 1, "duration_h": 1, "rest_after_h": 1}


def write_tables(tables: HistoryTables, folder: Path, *, suffix: str = "csv") -> None:
    """Write each table to ``folder/<name>.<suffix>``, ``csv`` or ``parquet``.

    CSV files are UTF-8 with a header, a point as decimal sign, times as RFC 3339 in UTC and empty fields for
    what is not known; the same tables always give the same bytes.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.frames().items():
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
                places = _DECIMALS.get(str(column), 3)
                out[column] = [("" if np.isnan(v) else f"{v:.{places}f}") for v in values.to_numpy(np.float64)]
        out.to_csv(path, index=False, lineterminator="\n")


def _read_one(path: Path, name: str) -> pd.DataFrame:
    if path.suffix == ".parquet":
        frame = pd.read_parquet(path)
    else:
        try:
            frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
        except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
            raise BadInput.one(path.name, f"cannot be read as CSV: {str(error).strip()}.", "Save it as UTF-8 CSV with a header row.") from None
    columns = list(COLUMNS[name])
    if name == "readings":
        count = sum(c.startswith("block_") for c in frame.columns)
        columns += [block_column(b) for b in range(1, count + 1)]
    missing = [c for c in columns if c not in frame.columns]
    if missing:
        raise BadInput.one(path.name, f"lacks the column {missing[0]}.", f"Give the columns {', '.join(columns)}.")
    unknown = [c for c in frame.columns if c not in columns]
    if unknown:
        raise BadInput.one(path.name, f"has an unknown column {unknown[0]}.", f"Rename or remove it; known are {', '.join(columns)}.")
    if path.suffix == ".parquet":
        return frame[columns]
    return pd.DataFrame({c: _parse(frame[c], c, path.name) for c in columns})


def _parse(values: pd.Series[str], column: str, file: str) -> pd.Series[str] | pd.Series[float] | pd.Series[pd.Timestamp]:
    text = values.str.strip()
    blank = text == ""
    if column in TEXT_COLUMNS:
        return text.astype(object).where(~blank, None)
    if column == "time":
        parsed = pd.to_datetime(text.where(~blank, None), utc=True, errors="coerce", format="ISO8601")
        no_offset = ~blank & ~text.str.contains(r"(?:[Zz]|[+-]\d\d:?\d\d)$", regex=True)
        bad = (parsed.isna() & ~blank) | no_offset
        mend = "Write times with their offset, as in 2026-03-02T08:30:00+00:00."
        result: pd.Series[pd.Timestamp] | pd.Series[float] = parsed.astype("datetime64[us, UTC]")
    else:
        numbers = pd.to_numeric(text.where(~blank, None), errors="coerce")
        bad = ~blank & ~np.isfinite(numbers.astype(float))
        mend = "Give a plain finite number with a decimal point, or leave the field empty."
        result = numbers.astype(np.float64)
    if bad.any():
        row = int(np.flatnonzero(bad.to_numpy())[0])
        raise BadInput.one(f"{file} row {row + 2} column {column}", f"'{text.iloc[row]}' cannot be read.", mend)
    return result


def read_tables(folder: Path, families: Mapping[str, PackFamily]) -> HistoryTables:
    """Read a folder of documented tables.

    Parameters
    ----------
    folder : Path
        Holds ``packs``, ``readings``, ``topups`` and, if known, ``usage`` and ``outcomes``, as CSV or Parquet.
    families : mapping of str to PackFamily

    Raises
    ------
    BadInput
        With file, row and column of the first unreadable field, or the missing file, column or family.
    """
    frames = {}
    for name, columns in COLUMNS.items():
        found = [p for p in (folder / f"{name}.csv", folder / f"{name}.parquet") if p.is_file()]
        if len(found) > 1:
            raise BadInput.one(str(folder.name), f"holds both {name}.csv and {name}.parquet.", "Keep one of them.")
        if not found and name in _REQUIRED:
            raise BadInput.one(str(folder.name), f"holds no {name}.csv or {name}.parquet.", "Point to a folder with the documented tables.")
        if found:
            frame = _read_one(found[0], name)
        else:
            frame = pd.DataFrame({c: pd.Series(dtype="datetime64[us, UTC]" if c == "time" else object if c in TEXT_COLUMNS else float) for c in columns})
        frames[name] = frame.sort_values(["pack_id", "time"], kind="stable").reset_index(drop=True) if "time" in frame else frame
    packs = frames["packs"]
    if packs["pack_id"].duplicated().any():
        row = int(np.flatnonzero(packs["pack_id"].duplicated().to_numpy())[0])
        raise BadInput.one(f"packs row {row + 2} column pack_id", f"{packs['pack_id'].iloc[row]} appears twice.", "Give each pack one row.")
    strange = ~packs["family"].isin(list(families))
    if strange.any():
        row = int(np.flatnonzero(strange.to_numpy())[0])
        raise BadInput.one(
            f"packs row {row + 2} column family", f"the family {packs['family'].iloc[row]} is not known.", f"Known are {', '.join(families)}; or add a family file."
        )
    known = set(packs["pack_id"])
    for name, frame in frames.items():
        stray = ~frame["pack_id"].isin(known)
        if stray.any():
            row = int(np.flatnonzero(stray.to_numpy())[0])
            raise BadInput.one(f"{name} row {row + 2} column pack_id", f"{frame['pack_id'].iloc[row]} is not in packs.", "Add the pack, or correct the identifier.")
    width = len(block_columns(frames["readings"]))
    need = max((families[f].blocks for f in packs["family"]), default=0)
    if width < need:
        frames["readings"] = frames["readings"].assign(**{block_column(b): np.nan for b in range(width + 1, need + 1)})
    return HistoryTables(**frames, families=families)
