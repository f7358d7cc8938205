"""Kept forecasts that nobody is to go by any more: something is recorded that they do not know."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.core.translation import _
from service.records.unweighed import unweighed_packs, warned_packs
from service.store.schema import IssuedForecast, Reading, Score, TopUp


def superseded(session: Session, rows: Sequence[IssuedForecast]) -> dict[int, list[str]]:
    """Say, by number, of which kept forecasts something newer is recorded, and which a newer warning withholds."""
    packs = {row.pack_id for row in rows}
    newest = _newest_entries(session, packs)
    behind, warned = unweighed_packs(session, packs), warned_packs(session, packs)
    scored = select(Score.pack_id, Score.forecast_id, Score.unread).where(Score.pack_id.in_(packs))
    scores = {row.pack_id: row for row in session.execute(scored)}
    said: dict[int, list[str]] = {}
    for row in rows:
        found, score = [], scores.get(row.pack_id)
        is_newest = score is not None and score.forecast_id == row.id
        entered = newest.get(row.pack_id)
        if entered is not None and entered > row.origin:
            told = _("Something was recorded on %(day)s that this forecast does not know. Keep a new forecast first.")
            found.append(told % {"day": entered.date().isoformat()})
        elif score is None or (is_newest and row.pack_id in behind):
            found.append(
                _("Something was changed or entered that this forecast does not know. Keep a new forecast first.")
            )
        if not is_newest and (row.pack_id in warned or (score is not None and score.unread)):
            found.append(_("A newer forecast of this pack promises no day before it is looked at or read: go by that."))
        if found:
            said[row.id] = found
    return said


def _newest_entries(session: Session, pack_ids: set[str]) -> dict[str, datetime]:
    """Return when the newest reading or top-up of each pack was."""
    newest: dict[str, datetime] = {}
    for kind in (Reading, TopUp):
        query = select(kind.pack_id, func.max(kind.time)).where(kind.pack_id.in_(pack_ids)).group_by(kind.pack_id)
        for pack_id, time in session.execute(query):
            newest[pack_id] = max(time, newest.get(pack_id, time))
    return newest
