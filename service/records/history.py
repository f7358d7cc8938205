"""A pack's history as the store tells it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from difflib import get_close_matches
from functools import cache
from typing import Any, Final

from pydantic import ValidationError
from sqlalchemy import Row, Select, bindparam, func, select
from sqlalchemy.orm import Session

from models.base.errors import BadInput, problems_from
from models.packs.cautions import Chemistry
from models.packs.family import PackFamily
from models.packs.history import BlockReading, Outcome, PackHistory, TopUp, UsagePlan, family_problems
from models.packs.stops import require_no_stop
from models.packs.tables import LIST_COLUMNS, HistoryTables, tables_from_histories
from service.core.refusals import Conflict, NamesItsVehicle, NoSuchRecord
from service.core.translation import _
from service.store import schema
from service.store.schema import Base, Pack

_PARTS: dict[str, tuple[type[Base], type[Any]]] = {
    "readings": (schema.Reading, BlockReading),
    "topups": (schema.TopUp, TopUp),
    "usage": (schema.Usage, UsagePlan),
    "outcomes": (schema.Outcome, Outcome),
}

HEAD_OF_PACK: Final = (Pack.id, Pack.family, Pack.age_years, Pack.odometer_km)
"""What a history says of the pack itself."""

Head = Pack | Row[*tuple[Any, ...]]
"""A pack, or those columns of it."""

_SAME_START: Final = 2
_MOST_COMPARED: Final = 5_000
"""Names that begin alike and are compared with one that is not known. Our choice."""

READ_AT_ONCE: Final = 1_000
"""Packs whose facts are fetched together."""


def begun_history(session: Session, pack_id: str, mend: str) -> PackHistory:
    """Return a stored pack's history, which must hold something to start from.

    Raises
    ------
    NoSuchRecord
    Conflict
        It has neither reading nor top-up; `mend` says what to record.
    """
    history = history_of_pack(session, pack_id)
    if history is None:
        raise Conflict(_("Pack %(pack)s has no reading and no top-up yet. %(mend)s") % {"pack": pack_id, "mend": mend})
    return history


def chemistry_unless_stopped(
    session: Session, pack_id: str, families: Mapping[str, PackFamily], now: datetime
) -> Chemistry | None:
    """Return the chemistry of a stored pack that no fact stops; None if nothing is on record of it.

    Raises
    ------
    NoSuchRecord, BadInput
        As for `history_of_pack`.
    Conflict
        Its family is not known here any more.
    Stopped
        A fact recorded by now ends the job.
    """
    history = history_of_pack(session, pack_id)
    if history is None:
        return None
    family = families.get(history.family)
    if family is None:
        said = _(
            "The family %(family)s of pack %(pack)s is not known here any more: what stops it cannot be told, "
            "and nothing is promised of it. Put the family's file back, or correct the pack's family."
        )
        raise Conflict(said % {"family": repr(history.family), "pack": pack_id})
    if family_problems(history, family):
        return family.chemistry
    require_no_stop(history, family, at=now)
    return family.chemistry


def in_parts(names: Sequence[Any]) -> Iterator[Sequence[Any]]:
    """Yield names in parts that a database takes in one question."""
    for first in range(0, len(names), READ_AT_ONCE):
        yield names[first : first + READ_AT_ONCE]


def no_such_pack(session: Session, pack_id: str) -> NoSuchRecord:
    """Say that there is no such pack, with the one in the vehicle of this number, or with names like it."""
    sits = select(schema.Assignment.pack_id).where(
        schema.Assignment.vehicle_id == pack_id, schema.Assignment.until.is_(None)
    )
    if (inside := session.scalar(sits)) is not None:
        said = _("There is no pack %(name)s. In the vehicle %(name)s sits pack %(pack)s: ask for that one.")
        return NamesItsVehicle(said % {"name": pack_id, "pack": inside}, inside)
    names = session.scalars(
        select(Pack.id).where(Pack.id.istartswith(pack_id[:_SAME_START], autoescape=True)).limit(_MOST_COMPARED)
    ).all()
    near = get_close_matches(pack_id, names, n=3)
    if near:
        said = _("There is no pack %(pack)s. The nearest names are %(near)s.")
        return NoSuchRecord(said % {"pack": pack_id, "near": ", ".join(near)})
    return NoSuchRecord(_("There is no pack %(pack)s.") % {"pack": pack_id})


def history_of_pack(session: Session, pack_id: str) -> PackHistory | None:
    """Return everything stored about a pack; None if there is no reading and no top-up yet.

    Raises
    ------
    NoSuchRecord
        There is no such pack.
    BadInput
        What is stored contradicts itself.
    """
    pack = session.get(Pack, pack_id)
    if pack is None:
        raise no_such_pack(session, pack_id)
    return next(histories_of(session, [pack]), None)


def histories_of(session: Session, packs: Sequence[Head]) -> Iterator[PackHistory]:
    """Yield what is stored about packs, without those of which there is no reading and no top-up yet.

    Raises
    ------
    BadInput
        What is stored contradicts itself.
    """
    for _pack_id, found in sound_or_not(session, packs):
        if isinstance(found, BadInput):
            raise found
        yield found


def sound_or_not(session: Session, packs: Sequence[Head]) -> Iterator[tuple[str, PackHistory | BadInput]]:
    """Yield the same by pack, with what `histories_of` raises where what is stored contradicts itself."""
    for some in in_parts(packs):
        facts = {name: _facts(session, name, some) for name in _PARTS}
        for pack in some:
            mine = {name: tuple(found.get(pack.id, ())) for name, found in facts.items()}
            if not mine["readings"] and not mine["topups"]:
                continue
            head = {"family": pack.family, "age_years": pack.age_years, "odometer_km": pack.odometer_km}
            try:
                yield pack.id, PackHistory(pack_id=pack.id, **head, **mine)
            except ValidationError as error:
                yield pack.id, BadInput(problems_from(error, (f"packs/{pack.id}",)))


def tables_of(session: Session, families: Mapping[str, PackFamily], only: Sequence[str] | None = None) -> HistoryTables:
    """Return everything in the store, or of some packs only, as tables, without packs of a family that is not known.

    Those are named by `without_family`.
    """
    query = select(Pack).where(Pack.family.in_(families)).order_by(Pack.id)
    found = session.scalars(query if only is None else query.where(Pack.id.in_(only))).all()
    return tables_from_histories(histories_of(session, found), families)


def without_family(session: Session, families: Mapping[str, PackFamily]) -> str | None:
    """Say which packs on record are of a family that is not known any more; None if there is none."""
    found = session.execute(
        select(Pack.family, func.count(), func.min(Pack.id)).where(Pack.family.not_in(families)).group_by(Pack.family)
    ).all()
    if not found:
        return None
    named = ", ".join(f"{family} ({count}, {first} among them)" for family, count, first in found)
    return (
        f"Packs are on record of families that are not known here: {named}. Nothing is forecast of them or learned "
        "from them. Put the file of the family back, or name the right family of each pack."
    )


@cache
def _asked(name: str) -> tuple[Select[Any], Any]:
    """Return the question for one kind of facts of packs, and a fact to be copied with other values.

    A copy takes a fraction of the time that making a fact does, and the question most of what a pack's answer does.
    """
    table, kind = _PARTS[name]
    columns = table.__table__.c
    query = select(columns.pack_id, *(columns[field] for field in kind.model_fields))
    query = query.where(columns.pack_id.in_(bindparam("packs", expanding=True)))
    blank = kind.model_construct(None, **dict.fromkeys(kind.model_fields))
    return query.order_by(columns.pack_id, columns.time), blank


def _facts(session: Session, name: str, packs: Sequence[Head]) -> dict[str, list[Any]]:
    query, blank = _asked(name)
    names = tuple(type(blank).model_fields)
    listed = [place for place, field in enumerate(names) if field == "block_v" or field in LIST_COLUMNS]
    found: dict[str, list[Any]] = {}
    for pack_id, *values in session.connection().execute(query, {"packs": [pack.id for pack in packs]}):
        for place in listed:
            values[place] = None if values[place] is None else tuple(values[place])
        # Checked when they were stored; what cannot be seen in one fact alone is checked with the whole history.
        found.setdefault(pack_id, []).append(blank.model_copy(update=dict(zip(names, values, strict=True))))
    return found
