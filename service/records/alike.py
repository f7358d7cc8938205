"""Names that differ from one that is known only in how they are written: most likely the same thing, entered twice."""

from __future__ import annotations

from collections.abc import Iterable, MutableMapping
from datetime import datetime
from typing import Any

from sqlalchemy import select

from models.base.errors import Problem
from service.core.translation import _
from service.records.subject import Situation
from service.store.schema import Versioned


def as_heard(name: str) -> str:
    """Return a name without what one does not hear in it: small or capital letters, hyphens, points."""
    return "".join(sign for sign in name.casefold() if sign not in "._-")


def known_as_heard(names: Iterable[str]) -> dict[str, str]:
    """Return names by how they are heard."""
    return {as_heard(name): name for name in names}


def alike(name: str, known: MutableMapping[str, str]) -> list[Problem]:
    """Ask about a new name that one which is known is written almost like; from then on it is known as well."""
    other = known.setdefault(as_heard(name), name)
    if other == name:
        return []
    what = _("%(other)s is known already, and %(name)s differs from it only in capitals, hyphens or points.")
    mend = _("If it is the same, write it as it is known; else say that it is right.")
    return [Problem("id", what % {"other": other, "name": name}, mend)]


def alike_in_store(situation: Situation, _now: datetime, table: type[Versioned]) -> list[Problem]:
    """Ask about the name of a new record; what is stored is read once for all records that are made together."""
    if situation.before is not None or situation.after is None:
        return []
    key = f"{table.__tablename__} as heard"
    held: dict[str, Any] = situation.session.info
    if key not in held:
        held[key] = known_as_heard(situation.session.scalars(select(table.__table__.c.id)))
    return alike(situation.after["id"], held[key])
