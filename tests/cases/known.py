"""Histories cut at a moment: what is on record since would be told, and may withhold what was promised then."""

from __future__ import annotations

from typing import Any

import pandas as pd

from models.packs.history import PackHistory
from models.packs.tables import HistoryTables, history_of, known_at


def known_history(tables: HistoryTables, moment: pd.Series[Any]) -> PackHistory:
    """Return the history of the pack of a moment (``pack_id``, ``origin``) as it was known then."""
    asked = pd.DataFrame([{"pack_id": moment["pack_id"], "origin": moment["origin"]}])
    return history_of(known_at(tables, asked), moment["pack_id"])
