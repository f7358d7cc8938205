"""Top-ups that another one followed with no outcome written down between: the fault had come back by then."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from models.packs.stops.known import VISIT
from models.packs.tables import SECONDS_PER_DAY, HistoryTables, from_days, to_days

VISIT_DAYS: Final = VISIT.total_seconds() / SECONDS_PER_DAY
"""Charges no further apart than this may be of one visit."""

READ_DAYS: Final = 1.0
"""A pack is read on the day before the end of its charge, which takes up to half a day at a tenth of the rated current
(common practice, no source); what was read before that was an earlier look."""


def returns_not_written(tables: HistoryTables) -> pd.DataFrame:
    """Find when the fault was back of each top-up that another visit's followed though nobody wrote how it ended.

    A pack is not opened again while its fault stays away, and whoever charged it early can say "running": left out,
    or taken to have held until the next outcome, such a top-up would lengthen every forecast.

    Returns
    -------
    DataFrame
        ``pack_id`` and ``time``: of the first reading of the visit in which the pack was charged again, or of that
        charge.
    """
    topups = pd.DataFrame({"pack_id": tables.topups["pack_id"], "at": to_days(tables.topups["time"])})
    topups = topups.sort_values(["pack_id", "at"], kind="stable", ignore_index=True)
    topups["next"] = topups.groupby("pack_id")["at"].shift(-1)
    open_ones = topups[topups["next"] - topups["at"] > VISIT_DAYS].sort_values("at", kind="stable", ignore_index=True)
    ends = pd.DataFrame({"pack_id": tables.outcomes["pack_id"], "end": to_days(tables.outcomes["time"])})
    ends = ends.sort_values("end", kind="stable", ignore_index=True)
    ended = pd.merge_asof(open_ones, ends, left_on="at", right_on="end", by="pack_id", direction="forward")
    unknown = ended[~(ended["end"] <= ended["next"])].drop(columns="end")
    read = pd.DataFrame({"pack_id": tables.readings["pack_id"], "read": to_days(tables.readings["time"])})
    read = read.sort_values("read", kind="stable", ignore_index=True)
    unknown["from"] = unknown["next"] - READ_DAYS
    visit = pd.merge_asof(
        unknown.sort_values("from", kind="stable", ignore_index=True),
        read,
        left_on="from",
        right_on="read",
        by="pack_id",
        direction="forward",
        allow_exact_matches=False,
    )
    time = from_days(np.fmin(visit["read"].to_numpy(np.float64), visit["next"].to_numpy(np.float64)))
    found = pd.DataFrame({"pack_id": visit["pack_id"].to_numpy(dtype=object), "time": time})
    return found.sort_values(["pack_id", "time"], kind="stable", ignore_index=True)
