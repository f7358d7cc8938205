"""How many wrong keys an address may send: a key cannot be guessed, but trying costs the store a look each time."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from ipaddress import ip_address, ip_network
from typing import Final

from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException
from starlette.requests import Request

from service.access.callers import Caller
from service.access.keys import caller_of, digest_of
from service.access.rate import RateLimit

PER_MINUTE: Final = 20
"""Wrong keys from one address. Our choice: more than anybody mistypes."""


class WrongKeys:
    """Counts wrong keys by address.

    Keys that have opened something go on to, whoever else sends wrong ones: behind a proxy all come from one address.
    """

    def __init__(self, limit: RateLimit | None = None) -> None:
        self._limit = limit or RateLimit(PER_MINUTE)
        self._good: set[str] = set()

    def caller_of(self, session: Session, key: str, request: Request, now: datetime) -> Caller | str:
        """Return who a key belongs to, or why it opens nothing.

        Raises
        ------
        HTTPException
            429: too many wrong ones came from there; this one was not looked at.
        """
        return self.checked(digest_of(key), request, lambda: caller_of(session, key, now))

    def checked(self, digest: str, request: Request, find: Callable[[], Caller | str]) -> Caller | str:
        """Look for who is behind a secret of this digest, unless too many wrong ones came from there.

        Raises
        ------
        HTTPException
            429, as `caller_of`.
        """
        address = _network(request)
        if digest not in self._good and self._limit.spent(address):
            wait = math.ceil(60 / self._limit.per_minute)
            detail = f"More than {self._limit.per_minute} wrong access keys came from this address in a minute."
            raise HTTPException(429, f"{detail} Wait before sending another.", {"Retry-After": str(wait)})
        found = find()
        if isinstance(found, Caller):
            self._good.add(digest)
        else:
            self._good.discard(digest)
            self._limit.wait_s(address)
        return found


def _network(request: Request) -> str:
    """Return where a request comes from; in IPv6 a customer has a /64 of addresses to choose from (RFC 6177)."""
    host = request.client.host if request.client is not None else ""
    try:
        address = ip_address(host)
    except ValueError:
        return host
    return host if address.version == 4 else str(ip_network((address, 64), strict=False))
