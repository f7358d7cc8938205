"""Forms for the facts of a unit: top-up, planned use, outcome; to record one, correct it or take it away."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal

from fastapi import HTTPException, Path, Request
from pydantic import BaseModel
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from models.packs.stops import stops_of
from service.core.cautions import at_the_pack
from service.core.refusals import Conflict, Doubtful, Outdated, sure_of, unconfirmed
from service.core.translation import _, spoken
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.bench.state_of_unit import Unit, unit_of
from service.pages.bench.timeline import FACTS
from service.pages.bench.unit import UnitName
from service.pages.bench.units import unit_address
from service.pages.forms import NO_FAULTS, Faults, Form, PageWrite, SentForm, checked, once, page_router, with_the_rest
from service.pages.messages import Message
from service.pages.rendering import go_to, may, render, zone_of
from service.pages.undo import step, undo_form
from service.pages.wording import (
    also_done_words,
    charged_words,
    for_input,
    found_words,
    metered_words,
    moment_from,
    outcome_words,
)
from service.records.reasons import Why
from service.records.records import correct, create, etag_of, read, withdraw
from service.records.schemas import LARGEST_NUMBER
from service.records.slips import doubts_of
from service.records.subject import Subject
from service.records.writing import Done
from service.store.schema import LONGEST_REASON, Versioned

router = page_router()

Word = Annotated[Literal["topup", "usage", "outcome"], Path()]
Number = Annotated[int, Path(ge=1, le=LARGEST_NUMBER)]


@dataclass(frozen=True)
class Entry:
    """One field of a form.

    Attributes
    ----------
    name, words : str
        Field of the subject's schema, and what it is called on the page.
    options : sequence of (value, words), or empty for a field to type in
    text : bool
        Whether it is no number.
    """

    name: str
    words: str
    unit: str = ""
    hint: str = ""
    options: Sequence[tuple[str, str]] = ()
    required: bool = False
    text: bool = False


def entries(word: str) -> tuple[Entry, ...]:
    """Return the fields of a form besides the time."""
    if word == "topup":
        return (
            Entry("blocks", _("Blocks charged"), hint=_("Their numbers, as 5 or 5, 9."), required=True, text=True),
            Entry("charge_ah", _("Charge put into each"), "Ah", _("The best evidence there is: note it every time.")),
            Entry("end_v", _("Voltage at the end, charger on"), "V"),
            Entry("end_v_at", _("Where that was metered"), options=tuple(metered_words().items())),
            Entry("duration_h", _("How long it charged"), "h"),
            Entry("rest_before_v", _("Rest voltage before"), "V", _("Of the first block named.")),
            Entry("rest_after_v", _("Rest voltage after"), "V", _("Of the first block named.")),
            Entry("rest_after_h", _("Hours from the end to that reading"), "h"),
            Entry("charged_part", _("What was charged"), options=tuple(charged_words().items())),
            Entry("also_done", _("What else was done"), options=tuple(also_done_words().items())),
        )
    if word == "usage":
        return (
            Entry("km_per_day", _("Distance"), _("km a day"), _("The mean over all days, also those it stands.")),
            Entry("trips_per_day", _("Trips"), _("a day")),
            Entry("ambient_c", _("Temperature outside"), "°C", _("The mean of the next weeks.")),
            Entry("parked_days_in_30", _("Days it stands"), _("of the next 30")),
        )
    return (
        Entry("kind", _("What became of it"), options=tuple(outcome_words().items()), required=True),
        Entry("code", _("Trouble code"), hint=_("The generic one, as P0A80."), text=True),
        Entry("odometer_km", _("Odometer"), "km"),
        Entry("found", _("What was found in the pack"), options=tuple(found_words().items())),
    )


def _titles() -> Mapping[str, tuple[str, str, str]]:
    """By word: heading, words for the time, what is said once it is stored."""
    return {
        "topup": (_("The top-up"), _("End of the charge"), _("The top-up is recorded.")),
        "usage": (_("The planned use"), _("Planned on"), _("The plan is recorded.")),
        "outcome": (_("What became of it"), _("When"), _("The outcome is recorded.")),
    }


WORK_ON_PACK: Final = frozenset({"topup", "reading"})


def fact_page(
    request: Request,
    template: str,
    unit: Unit,
    word: str,
    values: Mapping[str, str],
    faults: Faults,
    row: Versioned | None,
    **more: Any,
) -> Response:
    """Return the page with the form of a fact."""
    return render(
        request,
        template,
        status=422 if faults else 200,
        unit=unit,
        word=word,
        values=values,
        faults=faults,
        row=row,
        once=once(),
        etag=None if row is None else etag_of(row),
        address=unit_address(unit.pack.id),
        cautions=at_the_pack(None if unit.family is None else unit.family.chemistry) if word in WORK_ON_PACK else (),
        may_withdraw=row is not None and may(request, f"withdraw_{FACTS[word].one.replace('-', '_')}"),
        **more,
    )


def _form_page(
    request: Request,
    unit: Unit,
    word: str,
    values: Mapping[str, str],
    faults: Faults = NO_FAULTS,
    row: Versioned | None = None,
) -> Response:
    title, when, _said = _titles()[word]
    return fact_page(
        request, "bench/fact.html", unit, word, values, faults, row,
        entries=entries(word), title=title, when=when, stops=_stops_of_charging(unit, word),
    )  # fmt: skip


def _stops_of_charging(unit: Unit, word: str) -> list[str]:
    """Say at the form of a charge what stops one; the form stays, for a charge that was given all the same."""
    if word != "topup" or unit.history is None or unit.family is None:
        return []
    return [spoken(stop.text) for stop in stops_of(unit.history, unit.family, charging=True)]


def _ahead(word: str, fact: BaseModel, form: Form, write: PageWrite) -> Faults:
    """Ask about a plan of use that lies ahead: a program may send one, somebody at a form has mostly slipped."""
    return unsure(doubts_of(word, fact.model_dump(), None, write.at), form) if word == "usage" else NO_FAULTS


def unsure(doubts: Sequence[Problem], form: Form) -> Faults:
    """Return doubts as faults of a form, unless it says that they were looked at and it is right."""
    said = form.get("sure")
    return Faults(tuple(doubts), f"{said} {sure_of(doubts)}".strip()) if unconfirmed(doubts, said) else NO_FAULTS


def require_of(row: Any, pack_id: str) -> None:
    """Refuse a fact of another pack at this one's address."""
    if row.pack_id != pack_id:
        raise HTTPException(404)


@router.get("/bench/units/{pack_id}/{word}/new", operation_id="page_new_fact")
def show_new(pack_id: UnitName, word: Word, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Ask for a fact."""
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)
    values = {"time": for_input(request.app.state.clock(), zone_of(request))}
    return _form_page(request, unit, word, values)


@router.get("/bench/units/{pack_id}/{word}/{number}", operation_id="page_fact")
def show_fact(
    pack_id: UnitName, word: Word, number: Number, request: Request, store: CurrentStore, families: KnownFamilies
) -> Response:
    """Show a fact to be corrected or taken away."""
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)
        row: Any = read(session, FACTS[word], number)
        require_of(row, pack_id)
    values = {name: as_text(getattr(row, name)) for name in (e.name for e in entries(word))}
    return _form_page(request, unit, word, values | {"time": for_input(row.time, zone_of(request))}, row=row)


def as_text(value: Any) -> str:
    """Write a stored value as a field shows it."""
    if value is None:
        return ""
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return f"{value:.10g}" if isinstance(value, float) else str(value)


@router.post("/bench/units/{pack_id}/{word}/new", operation_id="page_record_fact")
def record_fact(
    pack_id: UnitName, word: Word, request: Request, form: SentForm, write: PageWrite, families: KnownFamilies
) -> Response:
    """Record a fact."""
    subject = FACTS[word]
    require_may(request, "create", subject)
    try:
        new = checked(subject.new, {**_content(request, word, form), "pack_id": pack_id})
        with write.store.reading() as session:
            unit = unit_of(session, pack_id, families)
        if form.get("at_once") and unit.over is not None and write.earlier_answer() is None:
            said = _("It is noted already what became of the last top-up: nothing was recorded again.")
            return go_to(request, unit_address(pack_id), Message(said))
        if doubts := _ahead(word, new, form, write):
            return _form_page(request, unit, word, form.values(), doubts)
        return write(lambda session: store_new(session, request, subject, new, families, write, _titles()[word][2]))
    except BadInput as error:

        def rest(session: Session, left: Form) -> None:
            fact = checked(subject.new, {**_content(request, word, left), "pack_id": pack_id})
            create(session, subject, fact, families, write.writer)

        return _again(
            request, write, pack_id, word, form, families, with_the_rest(error, form, write.store, rest), None
        )
    except (Conflict, Doubtful) as error:
        return _again(request, write, pack_id, word, form, families, error, None)


@router.post("/bench/units/{pack_id}/{word}/{number}", operation_id="page_correct_fact")
def correct_fact(
    pack_id: UnitName,
    word: Word,
    number: Number,
    request: Request,
    form: SentForm,
    write: PageWrite,
    families: KnownFamilies,
) -> Response:
    """Correct a fact, or take it away."""
    subject = FACTS[word]
    if form.get("take_away"):
        require_may(request, "withdraw", subject)
        try:
            return write(lambda s: take_away(s, request, subject, number, pack_id, form, families, write))
        except BadInput as error:
            return _again(request, write, pack_id, word, form, families, error, number)
    require_may(request, "correct", subject)
    try:
        given = _content(request, word, form)
        change = checked(subject.change, {e.name: None for e in entries(word)} | given)
        if doubts := _ahead(word, change, form, write):
            with write.store.reading() as session:
                unit, row = unit_of(session, pack_id, families), read(session, subject, number)
            return _form_page(request, unit, word, form.values(), doubts, row)
        return write(lambda s: store_change(s, request, subject, number, pack_id, change, form, families, write))
    except (BadInput, Conflict, Doubtful, Outdated) as error:
        return _again(request, write, pack_id, word, form, families, error, number)


def require_may(request: Request, verb: str, subject: Subject) -> None:
    """Refuse whoever may not do this over REST either."""
    if not may(request, f"{verb}_{subject.one.replace('-', '_')}"):
        raise HTTPException(403, _("Your role may not change these records."))


def store_new(
    session: Session,
    request: Request,
    subject: Subject,
    new: Any,
    families: KnownFamilies,
    write: PageWrite,
    said: str,
) -> Done:
    """Store a fact and go back to its unit, with a way to undo."""
    row: Any = create(session, subject, new, families, write.writer)
    address = unit_address(new.pack_id)
    message = Message(said, undo_form(request, [step(subject, row, "create")], address))
    return Done(303, None, row.id, dict(go_to(request, address, message).headers))


def store_change(
    session: Session,
    request: Request,
    subject: Subject,
    number: int,
    pack_id: str,
    change: Any,
    form: Form,
    families: KnownFamilies,
    write: PageWrite,
) -> Done:
    """Correct a fact and go back to its unit, with a way to undo."""
    require_of(read(session, subject, number), pack_id)
    before = form.get("etag")
    row: Any = correct(session, subject, number, change, families, write.writer, before, why_of(form))
    address = unit_address(pack_id)
    if etag_of(row) == before:
        return Done(303, None, number, dict(go_to(request, address, Message(_("Nothing was changed."))).headers))
    message = Message(_("Corrected."), undo_form(request, [step(subject, row, "correct")], address))
    return Done(303, None, number, dict(go_to(request, address, message).headers))


def take_away(
    session: Session,
    request: Request,
    subject: Subject,
    number: int,
    pack_id: str,
    form: Form,
    families: KnownFamilies,
    write: PageWrite,
) -> Done:
    """Withdraw a fact and go back to its unit, with a way to undo."""
    row: Any = read(session, subject, number)
    require_of(row, pack_id)
    done = step(subject, row, "withdraw")
    withdraw(session, subject, number, families, write.writer, form.get("etag"), why_of(form))
    address = unit_address(pack_id)
    message = Message(_("Removed. What it said before is kept."), undo_form(request, [done], address))
    return Done(303, None, number, dict(go_to(request, address, message).headers))


def why_of(form: Form) -> Why:
    """Return why a record is changed, as the form says."""
    return Why(form.get("reason")[:LONGEST_REASON] or None)


def _content(request: Request, word: str, form: Form) -> dict[str, Any]:
    """Return what the form says, as the schema takes it."""
    problems: list[Problem] = []
    values: dict[str, Any] = {}
    try:
        values["time"] = moment_from("time", form.get("time"), zone_of(request))
    except BadInput as error:
        problems += error.problems
    for entry in entries(word):
        text = form.get(entry.name)
        if not text:
            continue
        try:
            values[entry.name] = block_numbers(text) if entry.name == "blocks" else form.number_or_text(entry.name)
        except BadInput as error:
            problems += error.problems
    if problems:
        raise BadInput(problems)
    return values


def block_numbers(text: str) -> list[int]:
    """Read numbers of blocks, as ``5`` or ``5, 9``.

    Raises
    ------
    BadInput
    """
    parts = re.split(r"[\s,;]+", text.strip(" ,;"))
    if not all(part.isdecimal() and len(part) <= 4 for part in parts):
        raise BadInput.one("blocks", _("These are not block numbers."), _("Write them as 5, or 5, 9."))
    return [int(part) for part in parts]


def faults_of(error: BadInput | Conflict | Doubtful | Outdated, form: Form | None = None) -> Faults:
    """Return what stood in the way of a write as faults of its form, which keeps what it was sure of before."""
    if isinstance(error, BadInput):
        return Faults(tuple(error.problems))
    if isinstance(error, Doubtful):
        before = "" if form is None else form.get("sure")
        return Faults(tuple(error.problems), f"{before} {error.sure}".strip())
    where = "time" if isinstance(error, Conflict) else ""
    mend = _("Look at what is stored, then send the form again.")
    return Faults((Problem(where, str(error), mend),))


def _again(
    request: Request,
    write: PageWrite,
    pack_id: str,
    word: str,
    form: Form,
    families: KnownFamilies,
    error: BadInput | Conflict | Doubtful | Outdated,
    number: int | None,
) -> Response:
    with write.store.reading() as session:
        unit = unit_of(session, pack_id, families)
        row = None if number is None else read(session, FACTS[word], number)
    return _form_page(request, unit, word, form.values(), faults_of(error, form), row)
