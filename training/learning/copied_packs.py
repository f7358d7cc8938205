"""Packs on record twice: one history under two names is one witness, not two."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.packs.tables import HistoryTables, block_columns

_NONE = pd.Series(dtype=np.uint64)


def copies_in(tables: HistoryTables) -> dict[str, str]:
    """Find packs whose readings are those of another, to the second and to the volt, and that were charged alike.

    A folder imported under other names, or a pack that was renamed, looks so. Two packs do not: each reading is some
    dozen voltages. Packs without a voltage are never taken for copies.

    Returns
    -------
    dict of str to str
        By copy, the pack that it is a copy of: the one with most outcomes, or else the first.
    """
    blocks = block_columns(tables.readings)
    read = tables.readings[tables.readings[blocks].notna().any(axis=1)]
    charged = tables.topups.assign(blocks=tables.topups["blocks"].astype(str))
    packs = tables.packs[["pack_id", "family"]].set_index("pack_id")
    packs["volts"] = _digest(read, ["time", "state", *blocks])
    packs["charges"] = _digest(charged, ["time", "blocks"]).reindex(packs.index, fill_value=np.uint64(0))
    packs["ends"] = tables.outcomes["pack_id"].value_counts().reindex(packs.index, fill_value=0)
    packs = packs.dropna(subset="volts").sort_values("ends", ascending=False, kind="stable")
    alike = packs.reset_index().groupby(["family", "volts", "charges"], sort=False)["pack_id"]
    first = alike.transform("first").to_numpy()
    return {name: one for name, one in zip(packs.index, first, strict=True) if name != one}


def without_copies(tables: HistoryTables) -> tuple[HistoryTables, int]:
    """Leave out the copies, and say how many there were."""
    copies = copies_in(tables)
    if not copies:
        return tables, 0
    return tables.of_packs(pack for pack in tables.packs["pack_id"] if pack not in copies), len(copies)


def _digest(rows: pd.DataFrame, columns: list[str]) -> pd.Series:
    """Return a number for each pack that tells its rows, whatever their order."""
    if rows.empty:
        return _NONE
    each = pd.util.hash_pandas_object(rows[columns], index=False)
    return each.groupby(rows["pack_id"].to_numpy(dtype=object)).agg(lambda found: hash(tuple(sorted(found))))
