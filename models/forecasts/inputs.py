"""What a forecast is made from: the facts known at its origin, their digest, and how old the newest reading is."""

from __future__ import annotations

import hashlib
from datetime import datetime

import numpy as np
import pandas as pd

from models.base.arrays import Floats
from models.features.raw import used_readings
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.tables import HistoryTables, to_days


def inputs_digest(history: PackHistory, origin: datetime, family: PackFamily) -> str:
    """SHA-256 over the facts a forecast was made from, its origin and the family, as hexadecimal digits.

    What is not known is left out, so that a further field that nobody filled in changes no digest.
    """
    facts, kind = (part.model_dump_json(exclude_none=True) for part in (history, family))
    text = "\n".join([facts, origin.isoformat(), kind])
    return hashlib.sha256(text.encode()).hexdigest()


def digest_at(history: PackHistory, origin: datetime, family: PackFamily) -> str:
    """Return what `Forecast.inputs_digest` of a forecast made now at this origin would be."""
    return inputs_digest(history_at(history, origin), origin, family)


def history_at(history: PackHistory, origin: datetime) -> PackHistory:
    """Return what was on record of a pack by a moment."""
    parts = {
        name: tuple(f for f in getattr(history, name) if f.time is None or f.time <= origin)
        for name in ("readings", "topups", "usage", "outcomes")
    }
    if all(len(parts[name]) == len(getattr(history, name)) for name in parts):
        return history
    return history.model_copy(update=parts)


def last_seen(tables: HistoryTables, moments: pd.DataFrame) -> Floats:
    """Return the day of each pack's newest record, by each origin, that it was there and holding.

    A reading, a top-up, or an outcome that says it was still running: more than `PackHistory.seen_at` takes, as it has
    held until then, though nobody knows how its blocks are. A reading that cannot be what it is said to be tells
    nothing.

    Parameters
    ----------
    moments : DataFrame, n rows
        ``pack_id`` and ``origin``.

    Returns
    -------
    array, shape (n,)
        Days since the epoch (`models.packs.tables.to_days`); NaN without such a record.
    """
    running, topups = tables.words("outcomes", "kind") == "running", np.ones(len(tables.topups), dtype=np.bool_)
    kept = {"readings": used_readings(tables), "topups": topups, "outcomes": running}
    code = np.concatenate([tables.codes(name)[rows] for name, rows in kept.items()])
    day = np.concatenate([tables.days(name)[rows] for name, rows in kept.items()])
    if not len(code) or not len(moments):
        return np.full(len(moments), np.nan)
    origin = to_days(moments["origin"])
    order = np.lexsort((day, code))
    code, day = code[order], day[order]
    # One number for pack and day, so that the newest record by an origin is found by one search.
    first = min(day.min(), float(origin.min()))
    span = max(day.max(), float(origin.max())) - first + 1.0
    asked = tables.pack_index().get_indexer(pd.Index(moments["pack_id"]))
    place = np.searchsorted(code * span + day - first, asked * span + origin - first, side="right")
    found = np.maximum(place - 1, 0)
    return np.where((place > 0) & (code[found] == asked), day[found], np.nan)


def newest_reading_gap_days(tables: HistoryTables, moments: pd.DataFrame) -> Floats:
    """Days between each origin and the pack's newest reading in the tables, NaN without one. Shape (n,)."""
    ids = tables.pack_index()
    newest = np.full(len(ids), -np.inf)
    np.maximum.at(newest, tables.codes("readings"), tables.days("readings"))
    of = newest[ids.get_indexer(pd.Index(moments["pack_id"]))]
    return np.asarray(to_days(moments["origin"]) - np.where(np.isfinite(of), of, np.nan))
