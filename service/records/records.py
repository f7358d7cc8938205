"""Making, reading, listing, correcting and withdrawing records, whatever their subject."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from pydantic import BaseModel, ValidationError
from sqlalchemy import delete, func, select, tuple_
from sqlalchemy.orm import Session

from models.base.errors import BadInput, Problem, problems_from
from models.packs.family import PackFamily
from service.core.refusals import Conflict, Outdated, require_right
from service.core.translation import _, ngettext
from service.records.ahead import not_yet
from service.records.field_words import field_words, kind_word
from service.records.history import in_parts
from service.records.reasons import NO_REASON, Why, left_out, lifted, require_why, require_why_unwarned
from service.records.seats import mind_seats
from service.records.sense import keeps_order
from service.records.stopped import mind_facts, stopped_by
from service.records.subject import Situation, Subject
from service.records.unweighed import warned_packs
from service.records.versions import Writer, content_of, id_of, keep_version, no_such, packs_of, plain, versions_before
from service.records.warned import warned_by
from service.store.schema import (
    Assignment,
    Base,
    DriveLog,
    IssuedForecast,
    Pack,
    StoppedPack,
    UnweighedPack,
    Versioned,
)

Known = Mapping[str, PackFamily]
MOST_TOLD: Final = 100
"""Faults of records sent together that are told one by one. Our choice."""


def as_record(subject: Subject, row: Versioned) -> BaseModel:
    """Return a row as the schema of a stored record."""
    facts = ("version", "recorded_at", "recorded_by")
    return subject.record.model_construct(
        id=id_of(row), **content_of(subject, row), **{name: getattr(row, name) for name in facts}
    )


def create(session: Session, subject: Subject, new: BaseModel, families: Known, writer: Writer) -> Versioned:
    """Make a record.

    Raises
    ------
    BadInput
        It names something that is not there, or makes no sense with what is.
    Conflict
        There is such a record already.
    Doubtful
        It looks like a slip, and `writer.sure` does not say that it is right.
    """
    return _made(session, subject, {"": new}, families, writer)[0]


def create_together(
    session: Session, subject: Subject, several: Sequence[BaseModel], families: Known, writer: Writer
) -> list[Versioned]:
    """Make several records of one kind, with the same checks; what they share is looked up once.

    Raises
    ------
    BadInput, Conflict, Doubtful
        As for `create`; each fault says which record it lies in, the first as ``[0]``.
    """
    return _made(session, subject, {f"[{i}]": new for i, new in enumerate(several)}, families, writer)


def _made(
    session: Session, subject: Subject, news: Mapping[str, BaseModel], families: Known, writer: Writer
) -> list[Versioned]:
    """Make records; each stands under its place in what was sent."""
    values = {place: {name: getattr(new, name) for name in type(new).model_fields} for place, new in news.items()}
    # Kept in hand until the checks are done, so that no check fetches a pack again.
    named = _require_references(session, subject, values)
    _require_no_twins(session, subject, values)
    situations = {place: Situation(session, families, None, row, together=len(values)) for place, row in values.items()}
    problems = _order_problems(subject, situations)
    of_before = versions_before(session, subject, [row["id"] for row in values.values()] if subject.named else [])
    rows = []
    doubts: list[Problem] = []
    for place, situation in situations.items():
        ahead = not_yet({name: values[place][name] for name in subject.happened}, writer.at)
        wrong = [_placed(place, problem) for problem in [*ahead, *subject.check(situation)]]
        problems += wrong
        if len(problems) >= MOST_TOLD:
            break
        doubts += [_placed(place, doubt) for doubt in subject.doubts(situation, writer.at)]
        if not wrong:
            # Before the next one is checked, which may have to fit to this one.
            row = subject.table(**values[place], version=1, recorded_at=writer.at, recorded_by=writer.by)
            # A name that was withdrawn may be used again; its versions count on, so that each is one of a kind.
            row.version += of_before.get(str(values[place].get("id")), 0)
            session.add(row)
            rows.append(row)
    require_right(problems[:MOST_TOLD], doubts[:MOST_TOLD], writer.sure)
    session.flush()
    del named
    mind_facts(session, packs_of(rows), families)
    mind_seats(session, _seated(rows))
    return rows


def read(session: Session, subject: Subject, record_id: int | str, *, lock: bool = False) -> Versioned:
    """Return a record that stands.

    Raises
    ------
    NoSuchRecord
    """
    row = session.get(subject.table, record_id, with_for_update={"key_share": True} if lock else None)
    if row is None:
        raise no_such(subject, record_id)
    return row


def correct(
    session: Session,
    subject: Subject,
    record_id: int | str,
    change: BaseModel,
    families: Known,
    writer: Writer,
    expected: str | None,
    why: Why = NO_REASON,
) -> Versioned:
    """Correct a record; the version before is kept. A correction that changes nothing makes no version.

    Parameters
    ----------
    change : BaseModel
        Instance of `Subject.change`; fields that were not set stay as they are.
    expected : str or None
        ``If-Match``: the entity tags one of which the record must have.
    why : Why
        Needed where a stop or a grave warning would go with it.

    Raises
    ------
    NoSuchRecord, Outdated, BadInput, Conflict, Doubtful
    """
    row = read(session, subject, record_id, lock=True)
    require_match(row, expected)
    before, packs, seated = content_of(subject, row), packs_of([row]), _seated([row])
    wanted = before | change.model_dump(exclude_unset=True)
    named = {"id": record_id} if subject.named else {}
    try:
        checked = subject.new.model_validate(wanted | named)
    except ValidationError as error:
        raise BadInput(problems_from(error)) from error
    after = {name: getattr(checked, name) for name in subject.columns}
    if plain(subject, after) == plain(subject, before):
        return row
    named_rows = _require_references(session, subject, {"": after})
    _require_no_twins(session, subject, {"": after | named}, record_id)
    ahead = not_yet({name: after[name] for name in subject.happened}, writer.at)
    situation = Situation(session, families, before, after, record_id)
    wrong = [*ahead, *_senseless(subject, situation)]
    require_right(wrong, subject.doubts(situation, writer.at), writer.sure)
    del named_rows
    kept = keep_version(session, subject, row, writer, why, withdrawn=False)
    stood, warned = stopped_by(session, packs, families), warned_packs(session, packs)
    warned_before = warned_by(session, packs, families)
    for name, value in after.items():
        setattr(row, name, value)
    row.version += 1
    row.recorded_at, row.recorded_by = writer.at, writer.by
    session.flush()
    mind_facts(session, packs | packs_of([row]), families)
    mind_seats(session, seated | _seated([row]))
    emptied = [name for name in subject.columns if left_out(before[name], after[name])]
    stands = stopped_by(session, packs, families)
    require_why(stood, stands, why, emptied)
    if emptied and warned and not (why.reason or why.undone):
        raise BadInput.one(
            emptied[0],
            _(
                "The forecast of pack %(pack)s carries a grave warning, and this may be what it is about. "
                "Leaving it out "
                "mends nothing."
            )
            % {"pack": min(warned)},
            _("Give the value that was read, or say why it was wrong (reason): the reason is kept."),
        )
    warns = warned_by(session, packs, families)
    require_why_unwarned(warned_before, warns, why)
    kept.lifted = lifted(stood, stands, warned_before, warns)
    return row


def _seated(rows: Sequence[Versioned]) -> set[str]:
    """Return the packs whose place in a vehicle rows speak of."""
    return {row.pack_id for row in rows if isinstance(row, Assignment)}


def withdraw(
    session: Session,
    subject: Subject,
    record_id: int | str,
    families: Known,
    writer: Writer,
    expected: str | None,
    why: Why = NO_REASON,
) -> None:
    """Take a record away; what it said is kept among the earlier versions.

    Raises
    ------
    NoSuchRecord, Outdated
    BadInput
        It makes no sense with what is, or a stop or a grave warning would go with it and no reason is given.
    Conflict
        Other records speak of it.
    """
    row = read(session, subject, record_id, lock=True)
    require_match(row, expected)
    packs, seated = packs_of([row]), _seated([row])
    if isinstance(row, Pack):  # what is only derived from the facts speaks of nothing
        session.execute(delete(StoppedPack).where(StoppedPack.pack_id == row.id))
        session.execute(delete(UnweighedPack).where(UnweighedPack.pack_id == row.id))
        session.execute(delete(DriveLog).where(DriveLog.pack_id == row.id))
    _require_unnamed(session, subject, record_id)
    if wrong := _senseless(subject, Situation(session, families, content_of(subject, row), None, record_id)):
        raise BadInput(wrong)
    kept = keep_version(session, subject, row, writer, why, withdrawn=True)
    stood = {} if isinstance(row, Pack) else stopped_by(session, packs, families)
    warned = {} if isinstance(row, Pack) else warned_by(session, packs, families)
    session.delete(row)
    session.flush()
    mind_facts(session, packs, families)
    mind_seats(session, seated)
    stands, warns = stopped_by(session, stood, families), warned_by(session, warned, families)
    require_why(stood, stands, why, ())
    require_why_unwarned(warned, warns, why)
    kept.lifted = lifted(stood, stands, warned, warns)


def _require_unnamed(session: Session, subject: Subject, record_id: int | str) -> None:
    """Refuse to take away what other records speak of; of kept forecasts, which stay, say what to do instead.

    Raises
    ------
    Conflict
    """
    named = {}
    for table in Base.metadata.sorted_tables:
        for key in table.foreign_keys:
            if key.column.table is subject.table.__table__:
                count = session.scalar(select(func.count()).select_from(table).where(key.parent == record_id))
                if count:
                    named[table.name] = count
    words = {"subject": kind_word(subject.one), "name": record_id}
    if kept := named.get(IssuedForecast.__tablename__):
        said = ngettext(
            "%(count)s forecast of pack %(name)s was kept. What was promised stays on record, and so does the pack: "
            "if it is out of use, record that it was retired.",
            "%(count)s forecasts of pack %(name)s were kept. What was promised stays on record, and so does the pack: "
            "if it is out of use, record that it was retired.",
            kept,
        )
        raise Conflict(said % {**words, "count": kept})
    if named:
        where = ", ".join(_("%(table)s: %(count)s") % {"table": name, "count": named[name]} for name in named)
        said = _("On record of %(subject)s %(name)s, in %(where)s. Withdraw those first.")
        raise Conflict(said % {**words, "where": where})


def etag_of(row: Versioned) -> str:
    """Return the entity tag of a record as it stands (RFC 9110, 8.8.3)."""
    return f'"{row.version}"'


def require_match(row: Versioned, expected: str | None) -> None:
    """Raise `Outdated` unless the record has one of the tags of ``If-Match``."""
    tags = [tag.strip() for tag in (expected or "*").split(",")]
    if "*" not in tags and etag_of(row) not in tags:
        raise Outdated(
            _("It was changed meanwhile: version %(version)s stands now. Read it again before changing it.")
            % {"version": row.version}
        )


def _placed(place: str, problem: Problem) -> Problem:
    return Problem(f"{place}.{problem.where}", problem.what, problem.mend) if place else problem


def _require_references(session: Session, subject: Subject, values: Mapping[str, Mapping[str, Any]]) -> list[Versioned]:
    """Return the records that others name, held until the end of the write.

    So facts of one pack are checked against each other one at a time.
    """
    held: list[Versioned] = []
    problems = []
    for column, table in subject.references.items():
        wanted = sorted({row[column] for row in values.values() if row[column] is not None})
        key = table.__table__.c.id
        for some in in_parts(wanted):
            query = select(table).where(key.in_(some)).order_by(key).with_for_update(key_share=True)
            held += session.scalars(query)
        missing = set(wanted) - {row.id for row in held if isinstance(row, table)}  # type: ignore[attr-defined]
        kind = table.__tablename__
        for place, row in values.items():
            if row[column] in missing:
                what = f"There is no {row[column]!r} among the {kind}."
                problems.append(_placed(place, Problem(column, what, f"Correct it, or add it to the {kind} first.")))
    if problems:
        raise BadInput(problems[:MOST_TOLD])
    return held


def _require_no_twins(
    session: Session, subject: Subject, values: Mapping[str, Mapping[str, Any]], own: int | str | None = None
) -> None:
    """Refuse records of a name, or of what no two may share, that is taken: in the store, or by one sent with them."""
    names = ("id",) if subject.named else subject.unique
    if not names:
        return
    columns = subject.table.__table__.c
    places: dict[tuple[Any, ...], str] = {}
    problems = []
    for place, row in values.items():
        first = places.setdefault(tuple(row[name] for name in names), place)
        if first != place:
            what = _("%(first)s has the same %(same)s.") % {"first": first, "same": field_words(names)}
            problems.append(Problem(f"{place}.{names[-1]}", what, _("Send each once, or correct one of them.")))
    if problems:
        raise BadInput(problems[:MOST_TOLD])
    for some in in_parts(list(places)):
        query = select(columns.id, *(columns[name] for name in names))
        for number, *key in session.execute(query.where(tuple_(*(columns[name] for name in names)).in_(some))):
            if number == own:
                continue
            place = places[tuple(key)]
            said = _twin_said(subject, number)
            raise Conflict(f"{place}: {said}" if place else said)


def _twin_said(subject: Subject, name: int | str) -> str:
    kind = kind_word(subject.one)
    if subject.named:
        said = _("There is a %(subject)s %(name)s already. Correct that one, or choose another name.")
        return said % {"subject": kind, "name": name}
    said = _("%(subject)s %(name)s has the same %(same)s already. Correct that one instead.")
    return said % {"subject": kind[0].upper() + kind[1:], "name": name, "same": field_words(subject.unique)}


def _order_problems(subject: Subject, situations: Mapping[str, Situation]) -> list[Problem]:
    if subject.ordered is None:
        return []
    found = keeps_order(list(situations.values()), subject.ordered)
    return [_placed(place, problem) for place, some in zip(situations, found, strict=True) for problem in some]


def _senseless(subject: Subject, situation: Situation) -> list[Problem]:
    return [*subject.check(situation), *_order_problems(subject, {"": situation})]
