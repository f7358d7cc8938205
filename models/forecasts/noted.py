"""What is noted beside the features, of many packs: the newest top-up's words, heat, codes, what came after."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.forecasts.after_charge import after_charge
from models.forecasts.charged_again import charged_again
from models.forecasts.controller import told_by_controller
from models.forecasts.flags import LEVEL_MV_PER_CELL, Noted
from models.forecasts.inputs import newest_reading_gap_days
from models.forecasts.not_risen import not_risen
from models.forecasts.warmth import frost_near_charge, warmth_at_rest
from models.packs.tables import HistoryTables


def noted_in(tables: HistoryTables, moments: pd.DataFrame) -> Noted:
    """Return what is noted beside the features, of many packs.

    Parameters
    ----------
    tables : HistoryTables
        Facts known at the moments, of which each pack has one.
    moments : DataFrame, n rows
        Columns ``pack_id`` and ``origin``.
    """
    packs = pd.Index(moments["pack_id"])
    place = np.append(packs.get_indexer(tables.pack_index()), -1)  # of each pack among the moments
    newest = np.full(len(packs), -1)
    of = place[tables.codes("topups")]
    newest[of[of >= 0]] = np.flatnonzero(of >= 0)  # in order of time, so the last one wins

    def topup(name: str) -> NDArray[np.object_]:
        values = np.append(tables.words("topups", name), np.array([None], dtype=object))
        return np.asarray(values[newest])

    put_in = np.append(tables.column("topups", "charge_ah"), np.nan)[newest]
    words = topup("end_v_at"), topup("charged_part"), topup("also_done")
    after = after_charge(tables, packs, newest)
    code, code_state, figures, resistances = told_by_controller(tables, packs, newest)
    frost_c, unread = frost_near_charge(tables, packs, newest)
    return Noted(
        newest_reading_gap_days(tables, moments),
        put_in,
        *warmth_at_rest(tables, packs, newest),
        frost_c,
        *after,
        *words,
        code=code,
        code_state=code_state,
        figures=figures,
        resistances=resistances,
        not_risen=not_risen(tables, packs, newest, 1e-3 * LEVEL_MV_PER_CELL),
        charged_again=charged_again(tables, packs, newest),
        charge_unread=unread,
    )
