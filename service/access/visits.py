"""Visits: a signed cookie that says who looks at the pages, and the token that every form carries."""

from __future__ import annotations

import fcntl
import os
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from itsdangerous import BadData, URLSafeSerializer
from sqlalchemy import delete
from sqlalchemy.orm import Session
from starlette.requests import Request
from starlette.responses import Response

from service.access.callers import NO_KEYS, Caller
from service.access.keys import digest_of, keys_in_use, standing
from service.store.schema import ApiKey, EndedVisit

COOKIE: Final = "tideover_visit"
LASTS: Final = timedelta(hours=12)
"""A working day: who signs in by morning need not do so again before evening."""

SECRET_BYTES: Final = 32
SECRET_FILE: Final = "pages.secret"  # noqa: S105  the name of a file


def _secret(home: Path) -> bytes:
    try:
        return _kept_secret(home)
    except OSError:
        # A full disk does not close the pages: what is signed meanwhile is good until the service ends.
        return _passing_secret(home)


@cache
def _passing_secret(_home: Path) -> bytes:
    return secrets.token_bytes(SECRET_BYTES)


@cache
def _kept_secret(home: Path) -> bytes:
    path = home / SECRET_FILE
    if found := _whole_secret(path):
        return found
    home.mkdir(mode=0o700, parents=True, exist_ok=True)
    with (home / f"{SECRET_FILE}.lock").open("w") as lock:
        # One process makes it while others look: a power cut may have left it empty, and with an empty secret
        # anybody could sign.
        fcntl.flock(lock, fcntl.LOCK_EX)
        if found := _whole_secret(path):
            return found
        fresh = home / f"{SECRET_FILE}.{secrets.token_hex(8)}"
        try:
            with os.fdopen(os.open(fresh, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
                file.write(secrets.token_bytes(SECRET_BYTES))
                file.flush()
                os.fsync(file.fileno())
            fresh.replace(path)
        finally:
            fresh.unlink(missing_ok=True)
    return path.read_bytes()


def _whole_secret(path: Path) -> bytes | None:
    try:
        found = path.read_bytes()
    except FileNotFoundError:
        return None
    return found if len(found) >= SECRET_BYTES else None


def seal(request: Request, salt: str) -> URLSafeSerializer:
    """Return what signs and checks our own words that a browser keeps; the secret lies in the home, for its owner."""
    secret = _secret(request.app.state.settings.home)
    return URLSafeSerializer(secret, salt=salt, signer_kwargs={"key_derivation": "hmac", "digest_method": sha256})


@dataclass(frozen=True)
class Visit:
    """Somebody at the pages.

    Attributes
    ----------
    number : str
        At random; the forms' token is made from it.
    key_id : str or None
        The access key that was signed in with.
    fresh : bool
        Whether the browser does not have the cookie yet.
    """

    number: str
    key_id: str | None
    until: datetime
    fresh: bool = False

    @classmethod
    def new(cls, now: datetime, key_id: str | None = None) -> Visit:
        """Begin a visit."""
        return cls(secrets.token_urlsafe(18), key_id, now + LASTS, fresh=True)


def visit_of(request: Request) -> Visit:
    """Return the visit that the cookie tells of, or a new one of nobody in particular."""
    now: datetime = request.app.state.clock()
    try:
        number, key_id, until = seal(request, COOKIE).loads(request.cookies.get(COOKIE, ""))
        visit = Visit(number, key_id, datetime.fromtimestamp(until, UTC))
    except (BadData, ValueError, TypeError):
        return Visit.new(now)
    return visit if visit.until > now else Visit.new(now)


def caller_at(session: Session, visit: Visit, now: datetime, *, keyless: bool) -> Caller | None:
    """Return who is at the pages, or None if they have to sign in: the key may have been revoked since."""
    if keyless and not keys_in_use(session):
        return NO_KEYS
    row = None if visit.key_id is None else session.get(ApiKey, visit.key_id)
    if row is None or session.get(EndedVisit, digest_of(visit.number)) is not None:
        return None
    found = standing(row, now)
    return found if isinstance(found, Caller) else None


def end(session: Session, visit: Visit, now: datetime) -> None:
    """End a visit for good, whoever may have a copy of its cookie; those that are over by themselves are forgotten."""
    session.execute(delete(EndedVisit).where(EndedVisit.until <= now))
    if visit.key_id is not None and session.get(EndedVisit, digest_of(visit.number)) is None:
        session.add(EndedVisit(digest=digest_of(visit.number), until=visit.until))


def keep(response: Response, request: Request, visit: Visit) -> None:
    """Send the cookie of a visit."""
    token = seal(request, COOKIE).dumps([visit.number, visit.key_id, int(visit.until.timestamp())])
    assert isinstance(token, str)
    set_cookie(response, request, COOKIE, token, LASTS)


def set_cookie(response: Response, request: Request, name: str, value: str, lasts: timedelta) -> None:
    """Send a cookie that neither scripts nor other sites get to see."""
    response.set_cookie(
        name,
        value,
        max_age=int(lasts.total_seconds()),
        httponly=True,
        samesite="strict",
        # Behind a proxy that speaks TLS, never without it; the service itself speaks plain HTTP on its own machine.
        secure=request.url.scheme == "https",
    )


def form_token(request: Request) -> str:
    """Return the token that every form of this visit carries: another site cannot know it."""
    visit: Visit = request.state.visit
    token: Any = seal(request, "form").dumps(visit.number)
    return str(token)


def is_form_token(request: Request, token: str) -> bool:
    """Tell whether a form came from a page of this visit."""
    return secrets.compare_digest(token.encode(), form_token(request).encode())
