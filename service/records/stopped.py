"""Packs that a fact on record stops, and forecasts that no longer rest on the facts: taken note of with every write.

The store keeps only which packs are stopped, so that a list need not read every history; what stops one is found anew
from its facts wherever it is said.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import delete, func, insert, select
from sqlalchemy.orm import Session

from models.forecasts.inputs import digest_at
from models.packs.family import PackFamily
from models.packs.history import PackHistory, family_problems
from models.packs.screens import stops_of_each
from models.packs.stops import Stop
from service.records.history import HEAD_OF_PACK, histories_of, in_parts, sound_or_not
from service.records.unweighed import note_unweighed, out_of_use
from service.store.opening import Store
from service.store.schema import Assignment, IssuedForecast, Pack, Score, StoppedPack


@dataclass(frozen=True)
class UnderStop:
    """A pack that a fact stops.

    Attributes
    ----------
    vehicle_id : str or None
        That it sits in now.
    came_out : bool
        It sat in a vehicle, and sits in none now: a stop says nothing of that vehicle any more.
    """

    pack_id: str
    family: str
    vehicle_id: str | None
    stops: tuple[Stop, ...]
    came_out: bool

    @property
    def needs_pack(self) -> bool:
        """Whether its vehicle waits for another pack, whatever its curve."""
        return not self.came_out and any(stop.needs_pack for stop in self.stops)

    @property
    def name(self) -> str:
        """What people call it: the vehicle's fleet number, or else the pack's own."""
        return self.vehicle_id or self.pack_id


def mind_facts(session: Session, pack_ids: Collection[str], families: Mapping[str, PackFamily]) -> None:
    """Take note of what stops some packs, and drop the forecasts that their facts do not bear any more.

    Those are taken out of the lists that decide on them: a stop stands, or what was known at the forecast's moment has
    been corrected since.
    """
    for some in in_parts(sorted(pack_ids)):
        heads = session.execute(select(*HEAD_OF_PACK).where(Pack.id.in_(some))).all()
        known = [
            found
            for _pack_id, found in sound_or_not(session, heads)
            if isinstance(found, PackHistory)
            and found.family in families
            and not family_problems(found, families[found.family])
        ]
        stopped = {history.pack_id for history, _ in _stopped(known, families)}
        # What is stored of a pack may contradict itself: what stopped it before stands then.
        note_stopped(session, stopped, of=[history.pack_id for history in known])
        query = select(Score.pack_id, Score.origin, Score.grave, IssuedForecast.inputs_digest)
        query = query.join(IssuedForecast, IssuedForecast.id == Score.forecast_id).where(Score.pack_id.in_(some))
        scores = {row.pack_id: row for row in session.execute(query)}
        borne = {
            history.pack_id
            for history in known
            if (score := scores.get(history.pack_id)) is not None
            and history.pack_id not in stopped
            and digest_at(history, score.origin, families[history.family]) == score.inputs_digest
        }
        forecasts = {pack_id: (row.origin, row.grave) for pack_id, row in scores.items()}
        note_unweighed(session, known, forecasts, borne)
        if gone := scores.keys() - borne:
            session.execute(delete(Score).where(Score.pack_id.in_(gone)))


def mind_all_facts(store: Store, families: Mapping[str, PackFamily]) -> None:
    """Take note of what stops every pack on record, some packs at a time: the rules may have changed."""
    with store.reading() as session:
        names = session.scalars(select(Pack.id).order_by(Pack.id)).all()
    for some in in_parts(names):
        with store.writing() as session:
            mind_facts(session, some, families)


def _stopped(
    histories: Iterable[PackHistory], families: Mapping[str, PackFamily]
) -> Iterator[tuple[PackHistory, tuple[Stop, ...]]]:
    """Return of some packs those that are stopped, whether the fault came back or not, with what stops them.

    Nothing stops one that is in no vehicle any more.
    """
    in_use = [history for history in histories if not out_of_use(history)]
    each = zip(in_use, stops_of_each(in_use, families), strict=True)
    return ((history, stops) for history, stops in each if stops)


Stops = Mapping[str, Mapping[str, Stop]]
"""What stops packs, by pack and code."""


def stopped_by(session: Session, pack_ids: Iterable[str], families: Mapping[str, PackFamily]) -> Stops:
    """Return of some packs those that facts stop, as it was taken note of, with what stops them."""
    names = select(StoppedPack.pack_id).where(StoppedPack.pack_id.in_(sorted(pack_ids)))
    found = under_stop(session, families, [Pack.id.in_(names)])
    return {one.pack_id: {stop.code: stop for stop in one.stops} for one in found}


def note_stopped(session: Session, stopped: Collection[str], *, of: Iterable[str]) -> None:
    """Note which of some packs are stopped; the others are not, or not any more."""
    for some in in_parts(sorted(of)):
        before = set(session.scalars(select(StoppedPack.pack_id).where(StoppedPack.pack_id.in_(some))))
        now = set(some) & set(stopped)
        if before - now:
            session.execute(delete(StoppedPack).where(StoppedPack.pack_id.in_(before - now)))
        if now - before:
            session.execute(insert(StoppedPack), [{"pack_id": pack_id} for pack_id in sorted(now - before)])


def under_stop(session: Session, families: Mapping[str, PackFamily], conditions: Iterable[Any] = ()) -> list[UnderStop]:
    """Return the packs that facts stop, with what stops them, in the order of their names.

    Parameters
    ----------
    conditions : iterable of SQL conditions on `Pack`
    """
    query = select(Pack).join(StoppedPack, StoppedPack.pack_id == Pack.id).where(*conditions).order_by(Pack.id)
    packs = [pack for pack in session.scalars(query) if pack.family in families]
    names = [pack.id for pack in packs]
    vehicles = vehicle_names(session, names)
    out = came_out(session, [name for name in names if name not in vehicles])
    return [
        UnderStop(history.pack_id, history.family, vehicles.get(history.pack_id), stops, history.pack_id in out)
        for history, stops in _stopped(histories_of(session, packs), families)
    ]


def vehicle_names(session: Session, pack_ids: Sequence[str]) -> dict[str, str]:
    """Return the vehicles in which some packs sit now, by pack."""
    found: dict[str, str] = {}
    for some in in_parts(pack_ids):
        sits = select(Assignment.pack_id, Assignment.vehicle_id)
        sits = sits.where(Assignment.pack_id.in_(some), Assignment.until.is_(None))
        found |= {row.pack_id: row.vehicle_id for row in session.execute(sits)}
    return found


def came_out(session: Session, pack_ids: Sequence[str]) -> set[str]:
    """Return which of some packs that sit nowhere now sat in a vehicle before."""
    found: set[str] = set()
    for some in in_parts(pack_ids):
        found |= set(session.scalars(select(Assignment.pack_id).where(Assignment.pack_id.in_(some))))
    return found


def how_many_under_stop(session: Session) -> int:
    """Return how many packs facts stop."""
    return session.scalar(select(func.count()).select_from(StoppedPack)) or 0
