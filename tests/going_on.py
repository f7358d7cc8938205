"""Simulated packs that no stop ends: of the others there is nothing to forecast."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from models.packs.stops import stops_of
from models.packs.tables import HistoryTables, history_of


def may_go_on(tables: HistoryTables, moment: pd.Series, *, charging: bool = False) -> bool:
    """Whether a pack may be forecast, and charged if asked, at a moment (``pack_id``, ``origin``)."""
    history = history_of(tables, moment["pack_id"])
    return not stops_of(
        history, tables.families[history.family], at=moment["origin"].to_pydatetime(), charging=charging
    )


def labelled(tables: HistoryTables) -> HistoryTables:
    """Note with each reading that nobody looked over that the pack's label was read: charges may then be planned."""
    readings = tables.readings.copy()
    noted = readings["inspected"].astype(object)
    readings["inspected"] = noted.where(noted.notna() & (noted != ""), "label")
    return replace(tables, readings=readings)
