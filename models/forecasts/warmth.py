"""How warm a pack was read at rest since the visit of its newest charge, and since somebody looked it over."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd

from models.base.arrays import Floats, Rows
from models.packs.stops.known import LOOK_AFTER, VISIT
from models.packs.tables import HistoryTables


def warmth_at_rest(tables: HistoryTables, packs: pd.Index[str], newest: Rows) -> tuple[Floats, Floats]:
    """Return the newest temperature read at rest, and the highest that nobody has looked at since.

    Parameters
    ----------
    tables : HistoryTables
        Facts known at the moment of the forecast.
    packs : Index, n names
    newest : int array, shape (n,)
        Row of each pack's newest top-up, −1 where there is none.

    Returns
    -------
    last_c, warmest_c : array, shape (n,)
        °C; NaN where none was read.
    """
    place = np.append(packs.get_indexer(tables.pack_index()), -1)  # of each pack among those asked of
    of, day, read_c = (
        place[tables.codes("readings")],
        tables.days("readings"),
        tables.column("readings", "temperature_c"),
    )
    rest = (tables.words("readings", "state") == "rest") & (of >= 0)
    last, warmest = np.full(len(packs), np.nan), np.full(len(packs), np.nan)
    rows = np.flatnonzero(rest & ~np.isnan(read_c))
    rows = rows[np.argsort(day[rows], kind="stable")]
    last[of[rows]] = read_c[rows]
    charged = np.append(tables.days("topups"), np.nan)[newest]
    since = np.nan_to_num(charged - VISIT / timedelta(days=1), nan=-np.inf)
    looked = np.flatnonzero((tables.words("readings", "inspected") == "sound") & (of >= 0))
    np.maximum.at(since, of[looked], day[looked] - LOOK_AFTER / timedelta(days=1))
    rows = rows[day[rows] >= since[of[rows]]]
    rows = rows[np.argsort(read_c[rows], kind="stable")]
    warmest[of[rows]] = read_c[rows]
    return last, warmest
