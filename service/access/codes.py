"""Codes that sign one more device in: shown on a screen of somebody who is signed in, good once and soon.

A code stands for an access key that opens something already. Only its digest is stored, and that goes as it is used.
"""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.access.callers import Caller
from service.access.feeds import PREFIX as FEED
from service.access.keys import RANDOM_BYTES, digest_of, standing
from service.core.refusals import NoSuchRecord
from service.core.translation import _
from service.store.schema import ApiKey, SignInCode

LASTS: Final = timedelta(minutes=2)
"""As long as it takes to pick up a telephone and point it at a screen. Our choice."""


def make_code(session: Session, key_id: str, now: datetime) -> tuple[ApiKey, str]:
    """Make a code for a key; return the key and the secret, which is stored nowhere.

    An earlier code for the same key opens nothing from then on.

    Raises
    ------
    NoSuchRecord
        There is no such key, or it opens nothing any more.
    """
    row = session.get(ApiKey, key_id)
    if row is None or row.id.startswith(FEED) or isinstance(standing(row, now), str):
        raise NoSuchRecord(_("There is no access key %(name)s in use.") % {"name": key_id})
    session.execute(delete(SignInCode).where((SignInCode.until <= now) | (SignInCode.key_id == key_id)))
    secret = secrets.token_urlsafe(RANDOM_BYTES)
    session.add(SignInCode(digest=code_digest(secret), key_id=key_id, until=now + LASTS))
    return row, secret


def key_behind(session: Session, secret: str, now: datetime) -> ApiKey | None:
    """Return the key that a code signs in with, without using the code up; None if it opens nothing."""
    known = select(SignInCode.key_id).where(SignInCode.digest == code_digest(secret), SignInCode.until > now)
    key_id = session.scalar(known)
    row = None if key_id is None else session.get(ApiKey, key_id)
    return row if row is not None and isinstance(standing(row, now), Caller) else None


def use_code(session: Session, secret: str, now: datetime) -> ApiKey | None:
    """Use a code up and return the key that it signs in with; None if it opens nothing, or somebody was first."""
    row = key_behind(session, secret, now)
    # Two devices at the same moment: only one of them deletes it.
    taken = session.execute(
        delete(SignInCode).where(SignInCode.digest == code_digest(secret)).returning(SignInCode.digest)
    )
    return row if len(taken.all()) == 1 else None


def code_digest(secret: str) -> str:
    """Return what is stored of a code: not the digest that an access key of the same letters would have."""
    return digest_of(f"code-{secret}")
