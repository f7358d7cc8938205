"""Features of one pack with one more reading at rest, for many such readings at once.

A look to come changes what is read off the newest reading, and adds a term to sums. The past is therefore read once for
each moment; only the few readings that single figures rest on are laid beside each look, however many there were.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import pandas as pd

from models.base.arrays import Floats
from models.features.derived import RawFeatures
from models.features.information import INFORMATION
from models.features.raw import raw_and_rows, raw_features
from models.packs.fields import columns_of
from models.packs.history import BlockReading
from models.packs.tables import READING_COLUMNS, HistoryTables, block_column, block_columns

APART_DAYS: Final = 1
"""A look comes at least this long after the newest reading: it is of another visit, and contradicts none before it."""


def with_reading(tables: HistoryTables, origin: datetime, seen: Mapping[int, Floats]) -> RawFeatures:
    """Read one pack with one reading at rest more, all its blocks read.

    Parameters
    ----------
    tables : HistoryTables
        The one pack's facts known at the origin.
    origin : datetime
        No fact is later.
    seen : mapping of int to array, shape (k, b)
        Block voltages, V, by the day after the origin, `APART_DAYS` at least.

    Returns
    -------
    RawFeatures
        One row a reading, days in order: what `raw_features` reads, to rounding, with the look on record.
    """
    days = sorted(seen)
    past_then = _moments(tables.packs["pack_id"].repeat(len(days)), origin, days)
    past, read = raw_and_rows(tables, past_then)
    few = tables if read.all() else replace(tables, readings=tables.readings[read].reset_index(drop=True))
    of = np.repeat(np.arange(len(days)), [len(seen[day]) for day in days])
    looked = raw_features(*packs_with_reading(few, origin, {day: seen[day] for day in days}))
    if few is tables:
        return looked
    alone = raw_features(few, past_then)

    def together(name: str) -> Floats:
        whole, without, with_look = past.columns[name][of], alone.columns[name][of], looked.columns[name]
        same = (without == with_look) | (np.isnan(without) & np.isnan(with_look))
        if name not in INFORMATION:
            return np.where(same, whole, with_look)
        added = np.nan_to_num(with_look) - np.nan_to_num(without)
        return np.where(same, whole, np.nan_to_num(whole) + added)

    return RawFeatures({name: together(name) for name in looked.columns}, looked.families)


def _moments(pack_ids: object, origin: datetime, days: list[int]) -> pd.DataFrame:
    start = pd.Timestamp(origin).tz_convert("UTC")
    return pd.DataFrame({"pack_id": np.asarray(pack_ids), "origin": [start + timedelta(days=day) for day in days]})


def packs_with_reading(
    tables: HistoryTables, origin: datetime, seen: Mapping[int, Floats]
) -> tuple[HistoryTables, pd.DataFrame]:
    """Lay the pack out once for each look, in the order of `seen`, and say when each of these packs is asked about."""
    looks = [day for day, volts in seen.items() for _ in volts]
    names = np.array([f"{i}" for i in range(len(looks))], dtype=object)
    moments = _moments(names, origin, looks)
    width = max([len(block_columns(tables.readings)), *(volts.shape[1] for volts in seen.values())])
    full = np.full((len(looks), width), np.nan)
    volts = np.concatenate(list(seen.values()))
    full[:, : volts.shape[1]] = volts
    unknown = {c.name: np.nan if c.kind == "number" else None for c in columns_of(BlockReading) if c.optional}
    new = pd.DataFrame({"pack_id": names, "time": moments["origin"], "state": "rest", **unknown})
    added = pd.concat([new, pd.DataFrame(full, columns=[block_column(b + 1) for b in range(width)])], axis=1)
    added = added[[*READING_COLUMNS, *block_columns(added)]]

    def each(frame: pd.DataFrame) -> pd.DataFrame:
        many = frame.loc[frame.index.repeat(len(looks))].reset_index(drop=True)
        return many.assign(pack_id=np.tile(names, len(frame)))

    old = each(tables.readings)
    added["time"] = added["time"].astype(old["time"].dtype)
    both = pd.concat([old, added], ignore_index=True) if len(old) else added
    return (
        replace(
            tables,
            packs=each(tables.packs),
            readings=both,
            topups=each(tables.topups),
            usage=each(tables.usage),
            outcomes=each(tables.outcomes),
        ),
        moments,
    )
