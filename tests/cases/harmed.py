"""Histories that hold what a forecast warns of."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from models.packs.tables import HistoryTables, block_columns


def harmed(tables: HistoryTables, seed: int) -> HistoryTables:
    """Write into histories what earlier charges are warned of: much, fast, twice, in the frost, hot, without a rise."""
    rng = np.random.default_rng(seed)
    readings, topups = tables.readings.copy(), tables.topups.copy()

    def some(frame: pd.DataFrame, share: float) -> pd.Index:
        return frame.index[rng.random(len(frame)) < share]

    readings.loc[some(readings, 0.03), "temperature_c"] = 47.0
    readings.loc[some(readings, 0.02), "temperature_c"] = -2.0
    readings.loc[some(readings, 0.02), "inspected"] = "nothing"
    for column in block_columns(readings)[:14]:
        readings.loc[some(readings, 0.03), column] += rng.choice([-1.1, -0.35, -0.2, 0.2, 0.35])
        readings.loc[some(readings, 0.03), column] = np.nan
    topups.loc[some(topups, 0.2), "charge_ah"] = rng.uniform(0.2, 6.0)
    topups.loc[some(topups, 0.05), "duration_h"] = 0.2
    topups.loc[some(topups, 0.05), "blocks"] = "5 2"
    topups.loc[some(topups, 0.05), "also_done"] = "module-swapped"
    again = topups[rng.random(len(topups)) < 0.3]
    later = [0.0, *rng.uniform(0.001, 20.0, 3)]
    copies = [again.assign(time=(again["time"] + pd.Timedelta(days=d)).astype(topups["time"].dtype)) for d in later]
    topups = pd.concat([topups, *copies]).sort_values(["pack_id", "time"], kind="stable", ignore_index=True)
    return replace(tables, readings=readings, topups=topups)
