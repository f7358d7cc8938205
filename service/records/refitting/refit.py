"""Another pack goes into a vehicle: one assignment ends, the next begins, and the old pack's open case is closed.

A pack whose top-up ended only with its coming out of a vehicle is out on that top-up again in the next one: nobody has
said that its fault came back. What said so of it then becomes that it was last known running.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final, Literal

from pydantic import ValidationError
from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from models.base.errors import BadInput, Problem, problems_from
from service.core.refusals import WHATEVER, Conflict, require_right
from service.core.translation import _
from service.records.field_words import to_the_minute
from service.records.going_in import before_an_entry, changed_just_now, not_to_go_in, other_family, stops_of_pack
from service.records.records import Known, correct, create, etag_of, read
from service.records.refitting.schemas import Refit, Refitted
from service.records.subject import Situation, Subject
from service.records.subjects.outcomes import OUTCOMES
from service.records.subjects.packs import ASSIGNMENTS, PACKS
from service.records.subjects.vehicles import VEHICLES
from service.records.versions import Writer
from service.store.schema import Assignment, Delivery, Outcome, Pack, TopUp, Versioned

Did = Literal["create", "correct"]

OVER: Final = ("returned", "replaced", "retired")
"""Outcomes after which a pack is not out on its top-up any more."""

TAKEN_OUT: Final = ("replaced", "retired")
"""Those that say of a pack only that it is in no vehicle any more."""


@dataclass
class Changes:
    """What was written, in its order, so that it can be taken back.

    Attributes
    ----------
    steps : list of (Subject, Versioned, Did)
    """

    steps: list[tuple[Subject, Versioned, Did]] = field(default_factory=list)


def refit(session: Session, vehicle_id: str, asked: Refit, families: Known, writer: Writer) -> tuple[Refitted, Changes]:
    """Put another pack into a vehicle. Nothing is lost: the old pack keeps its history, its assignment its days.

    Raises
    ------
    NoSuchRecord
        There is no such vehicle.
    BadInput
        The pack sits elsewhere, is not known and has no family, or the moment lies before the old pack came in.
    Conflict
        The pack sits in this vehicle already.
    Doubtful
        A fact stops the pack that goes in, its fault is back, its forecast gravely warns, it is of another family than
        the one before, the old one came in just before or has an entry after the change, or a name looks like a slip;
        and `writer.sure` does not say that it is right.
    """
    read(session, VEHICLES, vehicle_id)
    at, changes, said = asked.at or writer.at, Changes(), []
    doubts: list[Problem] = []
    # What looks like a slip is asked about at the end, all at once, when nothing is found to be wrong.
    sure, writer = writer.sure, replace(writer, sure=WHATEVER)

    def note(subject: Subject, row: Versioned, did: Did) -> Any:
        changes.steps.append((subject, row, did))
        return row

    def made(subject: Subject, **values: Any) -> Any:
        try:
            new = subject.new.model_validate(values)
        except ValidationError as error:
            raise BadInput(problems_from(error)) from error
        return note(subject, create(session, subject, new, families, writer), "create")

    old = _inside(session, vehicle_id, at)
    outcome = None
    if old is not None:
        _require_change(old, asked.pack_id, at)
        change = ASSIGNMENTS.change.model_validate({"until": at})
        note(ASSIGNMENTS, correct(session, ASSIGNMENTS, old.id, change, families, writer, etag_of(old)), "correct")
        words = {"pack": old.pack_id, "vehicle": vehicle_id, "time": to_the_minute(at)}
        said.append(_("Pack %(pack)s came out of %(vehicle)s at %(time)s; its history stays.") % words)
        if _is_out(session, old.pack_id, at):
            ended = {"pack_id": old.pack_id, "time": at, "kind": asked.old_became, "odometer_km": asked.odometer_km}
            outcome = made(OUTCOMES, **ended)
            said.append(
                _("Its top-up ended with that: the fault had come back.")
                if asked.old_became == "returned"
                else _("Its top-up ended with that: replaced before the fault came back.")
            )
        said += _still_ordered(session, old.pack_id)
        doubts += [*changed_just_now(old, at), *before_an_entry(session, old.pack_id, at)]
    known = session.get(Pack, asked.pack_id)
    if known is None:
        if asked.family is None:
            what = _("Pack %(pack)s is not known yet.") % {"pack": asked.pack_id}
            raise BadInput.one("family", what, _("Say its family, or correct its number."))
        first = {"age_years": asked.age_years, "odometer_km": asked.odometer_km}
        named = {"id": asked.pack_id, "family": asked.family, **first}
        doubts += [
            replace(doubt, where="pack_id")
            for doubt in PACKS.doubts(Situation(session, families, None, named), writer.at)
        ]
        known = made(PACKS, **named)
    elif asked.family not in (None, known.family):
        what = _("Pack %(pack)s is known already, and of the family %(family)s.")
        what %= {"pack": known.id, "family": known.family}
        raise BadInput.one("family", what, _("Correct the family here, or the number of the pack."))
    elif asked.age_years is not None:
        said.append(_("Pack %(pack)s was known already: its age stays as recorded.") % {"pack": known.id})
    stops = [*stops_of_pack(session, known, families), *not_to_go_in(session, known)]
    doubts = [*stops, *other_family(session, vehicle_id, at, known.id, known.family), *doubts]
    sits = made(ASSIGNMENTS, pack_id=asked.pack_id, vehicle_id=vehicle_id, since=at)
    for row in _taken_out(session, asked.pack_id, at):
        still = OUTCOMES.change.model_validate({"kind": "running"})
        note(OUTCOMES, correct(session, OUTCOMES, row.id, still, families, writer, etag_of(row)), "correct")
    words = {"pack": asked.pack_id, "vehicle": vehicle_id, "time": to_the_minute(at)}
    said.append(_("Pack %(pack)s sits in %(vehicle)s from %(time)s on.") % words)
    if _is_out(session, asked.pack_id, at):
        still_out = _("It is out on its last top-up, and that case stays open, now in %(vehicle)s: plan its use there.")
        said.append(still_out % words)
    require_right((), doubts, sure)
    said = [f"{stop.what} {stop.mend}" for stop in stops] + said
    told = Refitted(
        vehicle_id=vehicle_id,
        pack_id=asked.pack_id,
        assignment_id=sits.id,
        old_pack_id=None if old is None else old.pack_id,
        old_assignment_id=None if old is None else old.id,
        outcome_id=None if outcome is None else outcome.id,
        said=said,
    )
    return told, changes


def _inside(session: Session, vehicle_id: str, at: datetime) -> Assignment | None:
    """Return the assignment of whatever sits in a vehicle at a moment or later."""
    lasts = or_(Assignment.until.is_(None), Assignment.until > at)
    query = select(Assignment).where(Assignment.vehicle_id == vehicle_id, lasts).order_by(Assignment.since)
    return session.scalars(query.limit(1)).first()


def _require_change(old: Assignment, pack_id: str, at: datetime) -> None:
    if old.pack_id == pack_id:
        raise Conflict(
            _("Pack %(pack)s sits in %(vehicle)s already, since %(time)s: nothing was changed.")
            % {"pack": pack_id, "vehicle": old.vehicle_id, "time": to_the_minute(old.since)}
        )
    if at <= old.since:
        what = _("Pack %(pack)s came in at %(time)s, after that.") % {
            "pack": old.pack_id,
            "time": to_the_minute(old.since),
        }
        raise BadInput.one("at", what, _("Give the time of the change."))


def _is_out(session: Session, pack_id: str, at: datetime) -> bool:
    """Whether a pack is out on a top-up of which nobody has said what became of it."""
    topped = session.scalar(
        select(TopUp.time).where(TopUp.pack_id == pack_id, TopUp.time <= at).order_by(TopUp.time.desc()).limit(1)
    )
    if topped is None:
        return False
    over = select(Outcome.id).where(Outcome.pack_id == pack_id, Outcome.time >= topped, Outcome.kind.in_(OVER))
    return session.scalar(over.limit(1)) is None


def _taken_out(session: Session, pack_id: str, at: datetime) -> list[Outcome]:
    """Return what says of a pack's newest top-up, by a moment, that it ended with the pack's coming out."""
    topped = select(func.max(TopUp.time)).where(TopUp.pack_id == pack_id, TopUp.time <= at).scalar_subquery()
    mine = select(Outcome).where(Outcome.pack_id == pack_id, Outcome.time >= topped, Outcome.time <= at)
    return list(session.scalars(mine.where(Outcome.kind.in_(TAKEN_OUT)).order_by(Outcome.id)))


def _still_ordered(session: Session, pack_id: str) -> list[str]:
    """Say that a pack is still on its way for one that came out: it would wait for ever."""
    open_order = select(Delivery).where(Delivery.pack_id == pack_id, Delivery.arrived_at.is_(None))
    return [
        _("Order %(number)s of %(day)s for it is still open: note its arrival, or give it to another case.")
        % {"number": order.id, "day": order.ordered_at.date().isoformat()}
        for order in session.scalars(open_order.order_by(Delivery.id))
    ]
