"""A calendar as it is sent: while it is being written."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from itertools import chain, islice
from typing import Final
from zoneinfo import ZoneInfo

from starlette.responses import Response, StreamingResponse

from models.packs.family import PackFamily
from service.decisions.calendar.feed import MEDIA_TYPE, days_due, feed
from service.store.opening import Store

TOGETHER: Final = 100
"""Days sent in one piece. Our choice."""


def calendar_response(store: Store, now: datetime, zone: ZoneInfo, families: Mapping[str, PackFamily]) -> Response:
    """Send the days of all packs, those found first at once.

    The first piece is found before the answer begins: a database that does not answer is told of as anywhere else.
    """
    pieces = pieces_of(store, now, zone, families)
    return StreamingResponse(chain([next(pieces)], pieces), media_type=MEDIA_TYPE)


def pieces_of(store: Store, now: datetime, zone: ZoneInfo, families: Mapping[str, PackFamily]) -> Iterator[str]:
    """Yield the days of all packs in pieces of `TOGETHER`."""
    with store.reading() as session:
        parts = feed(days_due(session, now, zone, families), now, zone)
        while some := list(islice(parts, TOGETHER)):
            yield "".join(some)
