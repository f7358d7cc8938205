"""Kept forecasts that nobody is to go by any more: something is recorded that they do not know."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.core.translation import N_, _
from service.records.unweighed import unweighed_packs, warned_packs
from service.store.schema import Assignment, IssuedForecast, Outcome, Reading, Score, TopUp

_BECAME: Final = {
    "returned": N_("The fault came back on %(day)s: this forecast holds no more."),
    "replaced": N_("The pack was replaced on %(day)s: this forecast holds no more."),
    "retired": N_("The pack was taken out of use on %(day)s: this forecast holds no more."),
    "running": N_("What became of the pack was recorded on %(day)s, after this forecast. Keep a new forecast first."),
}
"""What an outcome says of a forecast kept before it."""


def superseded(session: Session, rows: Sequence[IssuedForecast]) -> dict[int, list[str]]:
    """Say, by number, of which kept forecasts something newer is recorded, and which a newer warning withholds."""
    packs = {row.pack_id for row in rows}
    newest = _newest_entries(session, packs)
    behind, warned = unweighed_packs(session, packs), warned_packs(session, packs)
    scored = select(Score.pack_id, Score.forecast_id, Score.unread).where(Score.pack_id.in_(packs))
    scores = {row.pack_id: row for row in session.execute(scored)}
    over = ended_since(session, rows)
    said: dict[int, list[str]] = {}
    for row in rows:
        found, score = [*over.get(row.id, ())], scores.get(row.pack_id)
        is_newest = score is not None and score.forecast_id == row.id
        entered = newest.get(row.pack_id)
        if entered is not None and entered > row.origin:
            told = _("Something was recorded on %(day)s that this forecast does not know. Keep a new forecast first.")
            found.append(told % {"day": entered.date().isoformat()})
        elif not found and (score is None or (is_newest and row.pack_id in behind)):
            found.append(
                _("Something was changed or entered that this forecast does not know. Keep a new forecast first.")
            )
        if not is_newest and (row.pack_id in warned or (score is not None and score.unread)):
            found.append(
                _("A newer forecast of this pack promises no day until it has been looked at or read: go by that.")
            )
        if found:
            said[row.id] = found
    return said


def ended_since(session: Session, rows: Sequence[IssuedForecast]) -> dict[int, list[str]]:
    """Say, by number, of which kept forecasts the job is over: an outcome is recorded, or the pack left its vehicle.

    What lies before a forecast's moment counts as well where it was recorded after the forecast was kept, unless it is
    of an earlier top-up.
    """
    packs = {row.pack_id for row in rows}
    outcomes: defaultdict[str, list[Outcome]] = defaultdict(list)
    left: defaultdict[str, list[tuple[Assignment, datetime]]] = defaultdict(list)
    for outcome in session.scalars(select(Outcome).where(Outcome.pack_id.in_(packs)).order_by(Outcome.time)):
        outcomes[outcome.pack_id].append(outcome)
    sits = select(Assignment).where(Assignment.pack_id.in_(packs))
    for sat in session.scalars(sits.order_by(Assignment.until)):
        if sat.until is not None:
            left[sat.pack_id].append((sat, sat.until))
    said: dict[int, list[str]] = {}
    for row in rows:
        topped = row.origin - timedelta(days=row.answer["days_held"])
        became = [
            one
            for one in outcomes[row.pack_id]
            if (one.recorded_at > row.issued_at and one.time >= topped)
            or (one.kind != "running" and one.time > row.origin)
        ]
        moved = [(sat, until) for sat, until in left[row.pack_id] if sat.recorded_at > row.issued_at and until > topped]
        # The last of each says how things stand.
        found = [_(_BECAME[one.kind]) % {"day": one.time.date().isoformat()} for one in became[-1:]]
        out = _("The pack came out of %(vehicle)s on %(day)s: this forecast was for its use there.")
        found += [out % {"vehicle": sat.vehicle_id, "day": until.date().isoformat()} for sat, until in moved[-1:]]
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
