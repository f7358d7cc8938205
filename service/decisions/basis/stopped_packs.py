"""Packs that a fact stops and that have to be replaced: no curve is needed to know that another is wanted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.packs.family import PackFamily
from service.decisions.basis.lead_times import OnOrder, on_order
from service.records.stopped import UnderStop, under_stop
from service.store.schema import Reading, TopUp


def orders_of_stopped(session: Session, stopped: Sequence[UnderStop], now: datetime) -> dict[str, OnOrder]:
    """Return what is on its way to packs that a fact stops, or came for them, by pack."""
    names = [one.pack_id for one in stopped]
    newest = select(TopUp.pack_id, func.max(TopUp.time)).where(TopUp.pack_id.in_(names)).group_by(TopUp.pack_id)
    first = select(Reading.pack_id, func.min(Reading.time)).where(Reading.pack_id.in_(names)).group_by(Reading.pack_id)
    # One that was never topped up may be damaged all the same: whatever came for it since it is on record counts.
    since = {row[0]: row[1] for query in (first, newest) for row in session.execute(query)} if names else {}
    return on_order(session, since, now) if since else {}


def waiting_for_pack(
    session: Session, families: Mapping[str, PackFamily], now: datetime, conditions: Iterable[Any] = ()
) -> list[UnderStop]:
    """Return the packs that have to be replaced whatever their curve and for which none is on order.

    Parameters
    ----------
    conditions : iterable of SQL conditions on `Pack`
    """
    needed = [one for one in under_stop(session, families, conditions) if one.needs_pack]
    ordered = orders_of_stopped(session, needed, now)
    return [one for one in needed if one.pack_id not in ordered]
