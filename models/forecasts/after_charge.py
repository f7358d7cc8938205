"""Voltages around the newest charge of many packs, side by side: what was noted with it, and what was read after."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.base.arrays import Floats, Rows
from models.packs.contradictions import WITHIN_S
from models.packs.stops.known import BEFORE_DRIVING
from models.packs.tables import SECONDS_PER_DAY, HistoryTables, block_columns


def after_charge(tables: HistoryTables, packs: pd.Index[str], newest: Rows) -> tuple[Floats, Floats, Floats, Floats]:
    """Read what `models.forecasts.flags.Noted` holds of the voltages after the newest charge.

    Parameters
    ----------
    tables : HistoryTables
        Facts known at the moment of the forecast.
    packs : Index, n names
    newest : int array, shape (n,)
        Row of each pack's newest top-up, −1 where there is none.

    Returns
    -------
    end_v, after_v, read_after_v, after_apart_v : array, shape (n,)
    """

    def topup(name: str) -> Floats:
        return np.append(tables.column("topups", name), np.nan)[newest]

    end_day = np.append(tables.days("topups"), np.nan)[newest]
    read_v, read_day = np.full(len(packs), np.nan), np.full(len(packs), np.nan)
    reads, columns = tables.readings, block_columns(tables.readings)
    if len(reads) and columns:
        first = [int(str(b).split(" ", 1)[0]) - 1 for b in tables.words("topups", "blocks")]
        block = np.array([*first, -1], dtype=np.intp)[newest]
        of = np.append(packs.get_indexer(tables.pack_index()), -1)[tables.codes("readings")]
        day = tables.days("readings")
        since = day - np.append(end_day, np.nan)[of]
        soon = (since >= 0) & (since * SECONDS_PER_DAY <= BEFORE_DRIVING.total_seconds())
        rows = np.flatnonzero(soon & (tables.words("readings", "state") == "rest"))
        rows = rows[(block[of[rows]] >= 0) & (block[of[rows]] < len(columns))]
        volts = reads[columns].to_numpy(np.float64)[rows, block[of[rows]]]
        rows, volts = rows[~np.isnan(volts)], volts[~np.isnan(volts)]
        last_first = np.argsort(-day[rows], kind="stable")
        read_v[of[rows[last_first]]], read_day[of[rows[last_first]]] = volts[last_first], day[rows[last_first]]
    hours = topup("rest_after_h")
    together = np.isnan(hours) | (np.abs(read_day - end_day - hours / 24) * SECONDS_PER_DAY <= WITHIN_S)
    family = tables.words("packs", "family")[tables.pack_index().get_indexer(packs)]
    fall_v = np.array([f.cells_per_block * f.hysteresis_charge_v for f in (tables.families[name] for name in family)])
    return topup("end_v"), topup("rest_after_v"), read_v, np.where(together, fall_v, np.nan)
