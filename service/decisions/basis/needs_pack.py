"""Vehicles that wait for another pack whatever any curve says: the fault is back, or a fact stops the pack for good."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session, aliased

from models.forecasts.last_seen import REFUSE_AFTER_DAYS
from models.packs.family import PackFamily
from service.core.translation import _, ngettext
from service.decisions.basis.lead_times import OnOrder, on_order
from service.records.stopped import UnderStop, under_stop, vehicle_names
from service.store.schema import Assignment, Outcome, Pack, Reading, StoppedPack, TopUp

MOST_NAMED: Final = 10
"""So many of those that wait no longer are named, and the others counted. Our choice."""

MOST_COUNTED: Final = 1_000
"""And so many are counted: "1000+" says that there are more. Our choice."""


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
    """Return the packs whose fault is back and of which nothing was entered after it, those that wait longest first.

    Nothing that puts the vehicle on the road again, as a charge, or ends its wait, as another pack. One that a fact
    stops is none of them: what to do first is said there. Nor is one that came out of its vehicle. After as many days
    as no decision goes by what was entered (`REFUSE_AFTER_DAYS`) nobody knows whether it still waits: `long_down`.

    Parameters
    ----------
    conditions : iterable of SQL conditions on `Pack`
    """
    return _down(session, Outcome.time.between(_still_known(now), now), *conditions)


def lost_from_sight(session: Session, now: datetime, conditions: Iterable[Any] = ()) -> list[Down]:
    """Return those whose fault came back so long ago that nobody knows whether they still wait, all of them."""
    return _down(session, Outcome.time < _still_known(now), *conditions)


def _down(session: Session, when: Any, *conditions: Any) -> list[Down]:
    rows = session.execute(_came_back(when, *conditions)).all()
    vehicles = vehicle_names(session, [row.id for row in rows])
    return [Down(row.id, row.family, vehicles.get(row.id), row.time) for row in rows]


def down_said(session: Session, now: datetime, conditions: Iterable[Any] = ()) -> list[str]:
    """Name the vehicles of which no curve is weighed because their fault is back, where a list does not hold them.

    Parameters
    ----------
    conditions : iterable of SQL conditions on `Pack`
    """
    conditions = list(conditions)
    down, lost = vehicles_down(session, now, conditions), long_down(session, now, conditions)
    asked = [] if lost is None else [lost]
    if not down:
        return asked
    said = ngettext(
        "%(count)s vehicle is down with its fault back, and is not in these figures: %(names)s. It wants a pack first: "
        "see the order queue.",
        "%(count)s vehicles are down with their fault back, and are not in these figures: %(names)s. They want packs "
        "first: see the order queue.",
        len(down),
    )
    named = ", ".join(one.name for one in down[:MOST_NAMED]) + (", …" if len(down) > MOST_NAMED else "")
    return [said % {"count": len(down), "names": named}, *asked]


def long_down(session: Session, now: datetime, conditions: Iterable[Any] = ()) -> str | None:
    """Name the packs whose fault came back so long ago that nobody knows whether they still wait; None without any."""
    query = _came_back(Outcome.time < _still_known(now), *conditions).limit(MOST_COUNTED + 1)
    found = [row.id for row in session.execute(query)]
    if not found:
        return None
    vehicles = vehicle_names(session, found[:MOST_NAMED])
    names = [vehicles.get(pack_id, pack_id) for pack_id in found[:MOST_NAMED]]
    count = str(len(found)) if len(found) <= MOST_COUNTED else f"{MOST_COUNTED}+"
    said = ngettext(
        "%(count)s more came back with its fault over %(days)s days ago, and nothing was entered since: %(names)s. "
        "Enter what became of it.",
        "%(count)s more came back with their fault over %(days)s days ago, and nothing was entered since: %(names)s. "
        "Enter what became of them.",
        len(found),
    )
    named = ", ".join(names) + (", …" if len(found) > len(names) else "")
    return said % {"count": count, "days": f"{REFUSE_AFTER_DAYS:g}", "names": named}


def _still_known(now: datetime) -> datetime:
    """Return since when a fault still keeps a vehicle off the road, for all that is known."""
    return now - timedelta(days=REFUSE_AFTER_DAYS)


def _came_back(when: Any, *conditions: Any) -> Select[*tuple[Any, ...]]:
    """Ask for packs whose fault is back and of which nothing was entered after it, the longest ago first."""
    later = aliased(Outcome)
    ended = select(later.id).where(later.pack_id == Outcome.pack_id, later.time > Outcome.time, later.kind != "running")
    charged = select(TopUp.id).where(TopUp.pack_id == Outcome.pack_id, TopUp.time > Outcome.time)
    stopped = select(StoppedPack.pack_id).where(StoppedPack.pack_id == Outcome.pack_id)
    sat = select(Assignment.id).where(Assignment.pack_id == Outcome.pack_id)
    return (
        select(Pack.id, Pack.family, Outcome.time)
        .join(Pack, Pack.id == Outcome.pack_id)
        .where(Outcome.kind == "returned", when, *conditions)
        .where(~ended.exists(), ~charged.exists(), ~stopped.exists())
        .where(or_(sat.where(Assignment.until.is_(None)).exists(), ~sat.exists()))
        .order_by(Outcome.time, Outcome.pack_id)
    )


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
