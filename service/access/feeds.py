"""Private addresses of the calendar feed: a calendar program can send no header, so the secret is in the address.

Each is a key of its own that opens nothing but the feed. It stands among the access keys and is revoked like them.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import datetime
from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.access.keys import RANDOM_BYTES, digest_of, standing
from service.store.schema import ApiKey

PREFIX: Final = "feed-"
"""Of the ids of these keys. Nobody is ever told a key that goes with one, only the address."""


def make_feed(session: Session, title: str, now: datetime) -> tuple[ApiKey, str]:
    """Make a private address; return its row and the secret, which is stored nowhere.

    Parameters
    ----------
    title : str
        Who made it, to be recognised when it is to be revoked.
    """
    secret = secrets.token_urlsafe(RANDOM_BYTES)
    row = ApiKey(
        id=f"{PREFIX}{secrets.token_hex(5)}",
        title=title,
        role="read-only",
        digest=_digest(secret),
        created_at=now,
        expires_at=None,
    )
    session.add(row)
    session.flush()
    return row, secret


def feeds(session: Session) -> Sequence[ApiKey]:
    """Return the addresses that still open the feed, the newest first."""
    query = select(ApiKey).where(ApiKey.id.startswith(PREFIX), ApiKey.revoked_at.is_(None))
    return session.scalars(query.order_by(ApiKey.created_at.desc(), ApiKey.id)).all()


def opens_feed(session: Session, secret: str, now: datetime) -> bool:
    """Tell whether an address's secret opens the feed."""
    row = session.scalar(select(ApiKey).where(ApiKey.digest == _digest(secret), ApiKey.id.startswith(PREFIX)))
    return row is not None and not isinstance(standing(row, now), str)


def _digest(secret: str) -> str:
    # Not the digest that an access key of the same letters would have: what is in an address must not sign anybody in.
    return digest_of(f"{PREFIX}{secret}")
