"""Vehicles that wait for another pack whatever any curve says: the fault is back, or a fact stops the pack for good."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.decisions.down import is_down, nothing_since
from models.forecasts.last_seen import REFUSE_AFTER_DAYS
from models.packs.family import PackFamily
from service.core.translation import _, ngettext
from service.decisions.basis.lead_times import OnOrder, on_order
from service.records.stopped import UnderStop, came_out, under_stop, vehicle_names
from service.store.schema import Outcome, Pack, Reading, StoppedPack, TopUp

MOST_NAMED: Final = 10
"""So many of those that wait no longer are named, and the others counted. Our choice."""


@dataclass(frozen=True)
class Down:
    """A pack whose fault is back, in a vehicle that stands for it.

    Attributes
    ----------
    vehicle_id : str or None
        That it sits in now.
    since : datetime
        When the fault came back.
    """

    pack_id: str
    family: str
    vehicle_id: str | None
    since: datetime

    @property
    def name(self) -> str:
        """What people call it: the vehicle's fleet number, or else the pack's own."""
        return self.vehicle_id or self.pack_id

    @property
    def why(self) -> str:
        """Say why it needs a pack first."""
        said = _("It is down: its fault came back on %(day)s, and nothing was charged since.")
        return said % {"day": self.since.date().isoformat()}


def vehicles_down(session: Session, now: datetime, conditions: Iterable[Any] = ()) -> list[Down]:
    """Return the packs whose fault is back (`models.decisions.down.is_down`), those that wait longest first.

    One that a fact stops is none of them: what to do first is said there. Nor is one that came out of its vehicle.

    Parameters
    ----------
    conditions : iterable of SQL conditions on `Pack`
    """
    since = now - timedelta(days=REFUSE_AFTER_DAYS)
    return [one for one in _came_back(session, since, now, conditions) if is_down(one.since, now)]


def long_down(session: Session, now: datetime, conditions: Iterable[Any] = ()) -> str | None:
    """Name the packs whose fault came back so long ago that nobody knows whether they still wait; None without any."""
    names = [one.name for one in _came_back(session, None, now, conditions) if not is_down(one.since, now)]
    if not names:
        return None
    said = ngettext(
        "%(count)s more came back with its fault over %(days)s days ago, and nothing was entered since: %(names)s. "
        "Enter what became of it.",
        "%(count)s more came back with their fault over %(days)s days ago, and nothing was entered since: %(names)s. "
        "Enter what became of them.",
        len(names),
    )
    named = ", ".join(names[:MOST_NAMED]) + (", …" if len(names) > MOST_NAMED else "")
    return said % {"count": len(names), "days": REFUSE_AFTER_DAYS, "names": named}


def _came_back(session: Session, since: datetime | None, now: datetime, conditions: Iterable[Any]) -> list[Down]:
    """Return the packs whose fault is back and of which nothing was entered after it, the longest ago first."""
    times = [Outcome.time <= now] if since is None else [Outcome.time.between(since, now)]
    returned = select(Outcome.pack_id, func.max(Outcome.time).label("time")).where(Outcome.kind == "returned", *times)
    back = returned.group_by(Outcome.pack_id).subquery()
    charged = select(func.max(TopUp.time)).where(TopUp.pack_id == back.c.pack_id).scalar_subquery()
    over = select(func.max(Outcome.time)).where(
        Outcome.pack_id == back.c.pack_id, Outcome.kind.in_(("replaced", "retired"))
    )
    query = (
        select(Pack.id, Pack.family, back.c.time, charged.label("charged"), over.scalar_subquery().label("over"))
        .join(back, back.c.pack_id == Pack.id)
        .where(~select(StoppedPack.pack_id).where(StoppedPack.pack_id == Pack.id).exists(), *conditions)
        .order_by(back.c.time, Pack.id)
    )
    rows = [row for row in session.execute(query) if nothing_since(row.time, row.charged, row.over)]
    names = [row.id for row in rows]
    vehicles = vehicle_names(session, names)
    out = came_out(session, [name for name in names if name not in vehicles])
    return [Down(row.id, row.family, vehicles.get(row.id), row.time) for row in rows if row.id not in out]


def orders_for(session: Session, packs: Sequence[UnderStop | Down], now: datetime) -> dict[str, OnOrder]:
    """Return what is on its way to packs of which no curve is weighed, or came for them, by pack."""
    names = [one.pack_id for one in packs]
    newest = select(TopUp.pack_id, func.max(TopUp.time)).where(TopUp.pack_id.in_(names)).group_by(TopUp.pack_id)
    first = select(Reading.pack_id, func.min(Reading.time)).where(Reading.pack_id.in_(names)).group_by(Reading.pack_id)
    # One that was never topped up may be damaged all the same: whatever came for it since it is on record counts.
    since = {row[0]: row[1] for query in (first, newest) for row in session.execute(query)} if names else {}
    return on_order(session, since, now) if since else {}


def needing_pack(
    session: Session, families: Mapping[str, PackFamily], now: datetime, conditions: Sequence[Any] = ()
) -> list[UnderStop | Down]:
    """Return the packs that have to be replaced whatever their curve: those that are down come first.

    Parameters
    ----------
    conditions : sequence of SQL conditions on `Pack`
    """
    stopped = [one for one in under_stop(session, families, conditions) if one.needs_pack]
    return [*vehicles_down(session, now, conditions), *stopped]


def waiting_for_pack(
    session: Session, families: Mapping[str, PackFamily], now: datetime, conditions: Sequence[Any] = ()
) -> list[UnderStop | Down]:
    """Return those of `needing_pack` for which no other pack is on order."""
    needed = needing_pack(session, families, now, conditions)
    ordered = orders_for(session, needed, now)
    return [one for one in needed if one.pack_id not in ordered]
