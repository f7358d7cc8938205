"""Packs, and their assignments to vehicles, as subjects of the store."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final, Self

from pydantic import Field, FiniteFloat, model_validator
from sqlalchemy import func, or_, select

from models.base.errors import Problem, wrong
from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE
from models.packs.history import family_problems
from service.core.translation import _
from service.records.alike import alike_in_store
from service.records.field_words import to_the_minute
from service.records.going_in import assigned
from service.records.history import history_of_pack
from service.records.schemas import Name, NewRecord, PackName
from service.records.sense import unknown_family
from service.records.subject import Situation, Subject
from service.store.schema import Assignment, Pack, Reading, TopUp, Vehicle


class NewPack(NewRecord):
    """A pack."""

    id: Name = Field(description="Its own number, whatever vehicle it sits in.", examples=["MB-VAN-07"])
    family: Annotated[str, Field(max_length=31)] = Field(
        description="Name of its family, as `/v1/families` lists it.", examples=["gravel-14"]
    )
    age_years: Annotated[FiniteFloat, Field(ge=0, le=60), NO_TRUTH_VALUE] | None = Field(
        None, description="At its first fact."
    )
    odometer_km: Annotated[FiniteFloat, Field(ge=0, le=5e6), NO_TRUTH_VALUE] | None = Field(
        None, description="Of its vehicle, at its first fact."
    )


class NewAssignment(NewRecord):
    """A pack sits in a vehicle from one moment to another."""

    pack_id: PackName
    vehicle_id: Name = Field(description="The vehicle it sits in.", examples=["MB-VAN-07"])
    since: Moment
    until: Moment | None = Field(None, description="When it was taken out; null while it is in.")

    @model_validator(mode="after")
    def _forward(self) -> Self:
        if self.until is not None and self.until <= self.since:
            raise wrong("It was taken out before it was put in.", "Correct one of the two times.")
        return self


def _pack_sense(situation: Situation) -> list[Problem]:
    after = situation.after
    if after is None:
        return []
    if strange := unknown_family(after["family"], situation.families):
        return [strange]
    if situation.before is None or situation.before["family"] == after["family"]:
        return []
    history = history_of_pack(situation.session, str(situation.record_id))
    if history is None:
        return []
    wrong_facts = family_problems(history, situation.families[after["family"]])
    return [Problem("family", f"{p.where}: {p.what}", "Correct the readings and top-ups first.") for p in wrong_facts]


def _pack_doubts(situation: Situation, now: datetime) -> list[Problem]:
    """Ask about a number that is written almost like another, and a family that is corrected over what was read."""
    found = alike_in_store(situation, now, table=Pack)
    before, after = situation.before, situation.after
    if before is None or after is None or before["family"] == after["family"]:
        return found
    read, charged = (
        situation.session.scalar(select(func.count()).select_from(table).where(table.pack_id == situation.record_id))
        for table in (Reading, TopUp)
    )
    if read or charged:
        what = _("Its readings (%(read)s) and charges (%(charged)s) were entered as of the family %(family)s.")
        words = {"read": read or 0, "charged": charged or 0, "family": before["family"]}
        mend = _("All of that then counts as of the family %(family)s. Was the first one wrong, or is it another pack?")
        found.append(Problem("family", what % words, mend % {"family": after["family"]}))
    return found


def _assignment_sense(situation: Situation) -> list[Problem]:
    after = situation.after
    if after is None:
        return []
    problems = []
    for column, what in ((Assignment.pack_id, "pack"), (Assignment.vehicle_id, "vehicle")):
        query = select(Assignment).where(
            column == after[column.key],
            or_(Assignment.until.is_(None), Assignment.until > after["since"]),
            Assignment.id != (situation.record_id or 0),
        )
        if after["until"] is not None:
            query = query.where(Assignment.since < after["until"])
        if other := situation.session.scalars(query.limit(1)).first():
            end = "now" if other.until is None else to_the_minute(other.until)
            problems.append(
                Problem(
                    column.key,
                    f"At that time the {what} is spoken for: pack {other.pack_id} is in {other.vehicle_id} "
                    f"from {to_the_minute(other.since)} to {end} (assignment {other.id}).",
                    f"End assignment {other.id} first, or correct the times.",
                )
            )
    return problems


PACKS: Final = Subject(
    name="packs",
    one="pack",
    table=Pack,
    new=NewPack,
    example={"id": "MB-VAN-07", "family": "gravel-14", "age_years": 14.5, "odometer_km": 210600},
    references={},
    filters=("family",),
    check=_pack_sense,
    doubts=_pack_doubts,
)

ASSIGNMENTS: Final = Subject(
    name="assignments",
    one="assignment",
    table=Assignment,
    new=NewAssignment,
    example={"pack_id": "MB-VAN-07", "vehicle_id": "MB-VAN-07", "since": "2021-05-10T06:00:00+00:00"},
    references={"pack_id": Pack, "vehicle_id": Vehicle},
    filters=("pack_id", "vehicle_id"),
    happened=("since", "until"),
    check=_assignment_sense,
    doubts=assigned,
)
