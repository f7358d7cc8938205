"""Every version of a record: those before are kept, also of what was withdrawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.core.refusals import NoSuchRecord
from service.core.translation import _
from service.records.field_words import kind_word
from service.records.history import in_parts
from service.records.reasons import Why
from service.records.schemas import RecordVersion
from service.records.subject import Subject
from service.store.schema import (
    EarlierVersion,
    Outcome,
    Pack,
    Reading,
    TopUp,
    Usage,
    Versioned,
)


@dataclass(frozen=True)
class Writer:
    """Who writes, and when.

    Attributes
    ----------
    sure : str
        What was said to be right of what had been asked back (`service.core.refusals.Doubtful.sure`).
    """

    by: str
    at: datetime
    sure: str = ""


def id_of(row: Any) -> int | str:
    """Return the number or the name of a record."""
    found: int | str = row.id
    return found


def content_of(subject: Subject, row: Versioned) -> dict[str, Any]:
    """Return a record's content by column."""
    return {name: getattr(row, name) for name in subject.columns}


def packs_of(rows: Sequence[Versioned]) -> set[str]:
    """Return the packs that facts speak of."""
    facts = Pack | Reading | TopUp | Usage | Outcome
    return {row.id if isinstance(row, Pack) else row.pack_id for row in rows if isinstance(row, facts)}


def plain(subject: Subject, values: Mapping[str, Any]) -> dict[str, Any]:
    """Return content as JSON values; it was checked when it was stored."""
    return subject.change.model_construct(**values).model_dump(mode="json", warnings=False)


def versions(session: Session, subject: Subject, record_id: int | str) -> list[RecordVersion]:
    """List every version of a record, the oldest first, even after it was withdrawn.

    Raises
    ------
    NoSuchRecord
    """
    earlier = session.scalars(
        select(EarlierVersion)
        .where(EarlierVersion.subject == subject.name, EarlierVersion.record_id == str(record_id))
        .order_by(EarlierVersion.version)
    )
    fields = tuple(RecordVersion.model_fields)
    found = [RecordVersion(**{name: getattr(version, name) for name in fields}) for version in earlier]
    row = session.get(subject.table, record_id)
    if row is not None:
        found.append(
            RecordVersion(
                version=row.version,
                recorded_at=row.recorded_at,
                recorded_by=row.recorded_by,
                superseded_at=None,
                superseded_by=None,
                withdrawn=False,
                reason=None,
                content=plain(subject, content_of(subject, row)),
            )
        )
    if not found:
        raise no_such(subject, record_id)
    return found


def versions_before(session: Session, subject: Subject, names: Sequence[str]) -> dict[str, int]:
    """Return the newest version that each name had before it was withdrawn."""
    found: dict[str, int] = {}
    for some in in_parts(names):
        query = (
            select(EarlierVersion.record_id, func.max(EarlierVersion.version))
            .where(EarlierVersion.subject == subject.name, EarlierVersion.record_id.in_(some))
            .group_by(EarlierVersion.record_id)
        )
        found |= {row[0]: row[1] for row in session.execute(query)}
    return found


def keep_version(
    session: Session, subject: Subject, row: Versioned, writer: Writer, why: Why, *, withdrawn: bool
) -> EarlierVersion:
    """Keep a record as it stands, before it is changed or taken away."""
    kept = EarlierVersion(
        subject=subject.name,
        record_id=str(id_of(row)),
        version=row.version,
        content=plain(subject, content_of(subject, row)),
        recorded_at=row.recorded_at,
        recorded_by=row.recorded_by,
        superseded_at=writer.at,
        superseded_by=writer.by,
        withdrawn=withdrawn,
        reason="Undone." if why.undone else why.reason,
        pack_id=next(iter(packs_of([row])), None),
    )
    session.add(kept)
    return kept


def no_such(subject: Subject, record_id: int | str) -> NoSuchRecord:
    """Say that there is no such record."""
    said = _("There is no %(subject)s %(name)s.")
    return NoSuchRecord(said % {"subject": kind_word(subject.one), "name": record_id})
