"""Which pack is meant by a number that may be the pack's own, or that of the vehicle it sits in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.core.translation import _
from service.store.schema import Assignment, Pack


@dataclass(frozen=True)
class Called:
    """A pack as somebody called it.

    Attributes
    ----------
    pack_id : str
        As it was called where no pack and no vehicle is: whoever asks says so.
    said : str
        Which pack was taken, where the number alone does not tell it; else empty.
    """

    pack_id: str
    said: str = ""


def pack_called(session: Session, name: str, now: datetime) -> Called:
    """Return the pack of this number, or else the one that sits in the vehicle of this number now."""
    inside = session.scalar(select(Assignment.pack_id).where(Assignment.vehicle_id == name, *sits_now(now)))
    words = {"name": name, "pack": inside}
    if session.get(Pack, name) is not None:
        if inside is None or inside == name:
            return Called(name)
        return Called(name, _("Pack %(name)s is taken. In vehicle %(name)s sits pack %(pack)s now.") % words)
    if inside is None:
        return Called(name)
    return Called(inside, _("In vehicle %(name)s sits pack %(pack)s: that one is taken.") % words)


def sits_now(now: datetime) -> tuple[Any, ...]:
    """Return the conditions under which an assignment holds."""
    return Assignment.since <= now, or_(Assignment.until.is_(None), Assignment.until > now)
