"""Access keys: made at random, shown once, kept only as a digest."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from models.base.errors import BadInput
from service.access.callers import Caller, Role
from service.core.refusals import Conflict, NoSuchRecord
from service.core.translation import _
from service.store.schema import ApiKey

PREFIX: Final = "tide_"
RANDOM_BYTES: Final = 32
LONGEST_DAYS: Final = 3650


def digest_of(key: str) -> str:
    """SHA-256 of a key. Its 256 random bits need no salt and no slow hash: there is nothing to guess from."""
    return hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()


def make_key(session: Session, title: str, role: Role, days: int | None, now: datetime) -> tuple[ApiKey, str]:
    """Make a key.

    Parameters
    ----------
    title : str
        What it is for, as ``bench tablet``; not a person's name.
    days : int or None
        Days until it expires; None for never.

    Returns
    -------
    row : ApiKey
    key : str
        To be shown once; it is stored nowhere.

    Raises
    ------
    Conflict
        It would be the first key and not one of an administrator: nobody could make another.
    """
    if role != "admin" and not keys_in_use(session):
        raise Conflict(_("The first key must have the role admin; with any other nobody could make a second one."))
    key = PREFIX + secrets.token_urlsafe(RANDOM_BYTES)
    row = ApiKey(
        id=f"key-{secrets.token_hex(5)}",
        title=title,
        role=role,
        digest=digest_of(key),
        created_at=now,
        expires_at=None if days is None else now + timedelta(days=days),
    )
    session.add(row)
    session.flush()
    return row, key


def keys_in_use(session: Session) -> bool:
    """Tell whether keys are asked for: from the first one on, even when all of them were revoked or have expired."""
    return session.scalar(select(ApiKey.id).limit(1)) is not None


def caller_of(session: Session, key: str, now: datetime) -> Caller | str:
    """Return who a key belongs to, or why it opens nothing."""
    row = session.scalar(select(ApiKey).where(ApiKey.digest == digest_of(key)))
    return "This access key is not known." if row is None else standing(row, now)


def standing(row: ApiKey, now: datetime) -> Caller | str:
    """Return who a stored key belongs to, or why it opens nothing any more."""
    if row.revoked_at is not None:
        return f"The access key {row.id} was revoked."
    if row.expires_at is not None and row.expires_at <= now:
        return f"The access key {row.id} expired on {row.expires_at.date().isoformat()}."
    return Caller(row.id, row.role)  # type: ignore[arg-type]


def revoke_key(session: Session, key_id: str, now: datetime) -> ApiKey:
    """Close a key for good.

    Raises
    ------
    NoSuchRecord
        There is no such key.
    Conflict
        It is the last key of an administrator while others are in use.
    """
    # Two administrators may revoke each other at the same moment: both see all their keys, one after the other.
    session.scalars(select(ApiKey.id).where(ApiKey.role == "admin").order_by(ApiKey.id).with_for_update()).all()
    row = session.get(ApiKey, key_id, with_for_update=True, populate_existing=True)
    if row is None:
        raise NoSuchRecord(_("There is no access key %(name)s.") % {"name": key_id})
    if row.revoked_at is None:
        standing = (ApiKey.revoked_at.is_(None), or_(ApiKey.expires_at.is_(None), ApiKey.expires_at > now))
        others = select(ApiKey.role).where(ApiKey.id != key_id, *standing)
        roles = set(session.scalars(others))
        if row.role == "admin" and roles and "admin" not in roles:
            raise Conflict(_("It is the last key of an administrator. Make another one first."))
        row.revoked_at = now
        session.flush()
    return row


def require_days(days: int | None) -> None:
    """Raise `BadInput` for a span of validity that cannot be meant."""
    if days is not None and not 1 <= days <= LONGEST_DAYS:
        raise BadInput.one("days", f"is {days}.", f"Give 1 to {LONGEST_DAYS} days, or leave it out for no end.")
