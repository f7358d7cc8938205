"""The top-up that two rest readings show where none was recorded."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from models.packs.tables import TOPUP_COLUMNS, HistoryTables, block_columns, from_days, to_days
from models.physics.imbalance import deviation_v

INFERRED_REST_HOURS: Final = 12.0
"""An unrecorded top-up is taken to have ended this long before the reading that shows it. Invented."""


def with_inferred_topups(tables: HistoryTables) -> tuple[HistoryTables, set[str]]:
    """Add the top-up that the readings show where none was recorded.

    A pack without any top-up whose readings hold two rest snapshots is taken to have been topped up before the one
    in which a block rose most against the others, on that block.

    Returns
    -------
    tables : HistoryTables
        With the added rows; charge, voltages and duration stay missing.
    inferred : set of str
        Packs concerned.
    """
    recorded = np.zeros(len(tables.packs) + 1, dtype=np.bool_)
    recorded[tables.codes("topups")] = True
    rows = np.flatnonzero((tables.words("readings", "state") == "rest") & ~recorded[tables.codes("readings")])
    if len(rows) < 2:
        return tables, set()
    rest = tables.readings.iloc[rows]
    rest = rest.sort_values(["pack_id", "time"], kind="stable")
    deviation = deviation_v(rest[block_columns(rest)].to_numpy(np.float64))
    pack, day = rest["pack_id"].to_numpy(dtype=object), to_days(rest["time"])
    same = pack[1:] == pack[:-1]
    rise = np.nan_to_num(np.diff(deviation, axis=0), nan=-np.inf)
    steps = pd.DataFrame(
        {
            "pack_id": pack[1:],
            "block": rise.argmax(axis=1) + 1,
            "rise": rise.max(axis=1),
            "day": np.maximum(day[1:] - INFERRED_REST_HOURS / 24, (day[1:] + day[:-1]) / 2),
        }
    )[same]
    best = steps.sort_values("rise", kind="stable").groupby("pack_id", sort=True).tail(1)
    added = pd.DataFrame({name: np.full(len(best), np.nan) for name in TOPUP_COLUMNS})
    added["pack_id"], added["blocks"] = best["pack_id"].to_numpy(), best["block"].astype(str).to_numpy(dtype=object)
    added["time"] = from_days(best["day"].to_numpy())
    topups = added if tables.topups.empty else pd.concat([tables.topups, added], ignore_index=True)
    return replace(tables, topups=topups), set(best["pack_id"])
