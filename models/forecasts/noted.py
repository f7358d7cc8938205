"""What is noted beside the features, of many packs: the newest top-up's words, heat, codes, what came after."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from models.forecasts.after_charge import after_charge, before_charge
from models.forecasts.charged_again import charged_again
from models.forecasts.controller import spread_contradicted, told_by_controller
from models.forecasts.flags import LEVEL_MV_PER_CELL, Noted
from models.forecasts.inputs import newest_reading_gap_days
from models.forecasts.newest_topups import NewestTopUps
from models.forecasts.not_risen import not_risen
from models.forecasts.standing import standing
from models.forecasts.unread_blocks import mostly_unread, unread_blocks
from models.forecasts.warmth import frost_near_charge, warmth_read
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
    newest = NewestTopUps(tables, pd.Index(moments["pack_id"]))
    of_charges = _of_charges(newest, tables, moments)
    stands = standing(newest)
    for place, flag in (*mostly_unread(newest).items(), *spread_contradicted(newest).items()):
        stands.setdefault(place, []).append(flag)
    return replace(of_charges, unread=unread_blocks(newest), standing=stands)


def charges_noted_in(tables: HistoryTables, moments: pd.DataFrame) -> Noted:
    """Return what `noted_in` does but for what stands of any time, which a charge before the newest is not asked."""
    return _of_charges(NewestTopUps(tables, pd.Index(moments["pack_id"])), tables, moments)


def _of_charges(newest: NewestTopUps, tables: HistoryTables, moments: pd.DataFrame) -> Noted:
    code, code_state, figures, resistances = told_by_controller(newest)
    frost_c, unread = frost_near_charge(newest)
    return Noted(
        newest_reading_gap_days(tables, moments),
        newest.of("charge_ah"),
        *warmth_read(newest),
        frost_c,
        *after_charge(newest),
        *before_charge(newest),
        newest.words("end_v_at"),
        newest.words("charged_part"),
        newest.words("also_done"),
        code=code,
        code_state=code_state,
        figures=figures,
        resistances=resistances,
        not_risen=not_risen(newest, 1e-3 * LEVEL_MV_PER_CELL),
        charged_again=charged_again(newest),
        charge_unread=unread,
        unread={},
        standing={},
        looked_since=newest.looked_since,
    )
