"""Recheck and order days for a calendar: as a file, and under private addresses that calendar programs can read."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import HTTPException, Path, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from service.access.callers import NO_KEYS
from service.access.feeds import PREFIX, feeds, make_feed, opens_feed
from service.access.hosts import reached_by
from service.access.keys import revoke_key
from service.access.roles import CurrentCaller
from service.core.translation import _
from service.decisions.calendar.sending import calendar_response
from service.http.dependencies import CurrentStore
from service.pages.admin.noting import note
from service.pages.forms import PageWrite, SentForm, once, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, render, zone_of
from service.records.writing import Done
from service.store.opening import Store

router = page_router()

Secret = Annotated[str, Path(max_length=100)]


def _page(request: Request, store: Store, address: str = "") -> Response:
    with store.reading() as session:
        rows = feeds(session)
    open_to_all = request.state.caller == NO_KEYS
    base, doubt = reached_by(request)
    return render(
        request,
        "counter/calendar.html",
        rows=rows,
        address=f"{base}/v1/calendar.ics" if open_to_all else address and f"{base}{address}",
        open_to_all=open_to_all,
        doubt=doubt,
        once=once(),
    )


@router.get("/parts/calendar", operation_id="page_calendar")
def show_calendar(request: Request, store: CurrentStore) -> Response:
    """Offer the days as a file, and private addresses for calendar programs."""
    return _page(request, store)


@router.post("/parts/calendar", operation_id="page_make_feed")
def make(request: Request, form: SentForm, caller: CurrentCaller, store: CurrentStore) -> Response:
    """Make a private address and show it, this once."""
    title = form.get("title") or _("calendar of %(name)s") % {"name": caller.name}
    with store.writing() as session:
        row, secret = make_feed(session, title[:64], request.app.state.clock())
        note(session, request, caller, row.id)
    return _page(request, store, f"/calendar/{secret}/days.ics")


@router.post("/parts/calendar/{feed_id}/revocation", operation_id="page_revoke_feed")
def revoke(request: Request, feed_id: str, write: PageWrite) -> Any:
    """Close a private address for good."""
    if not feed_id.startswith(PREFIX):
        raise HTTPException(404)

    def work(session: Session) -> Done:
        row = revoke_key(session, feed_id, write.at)
        said = _("The address “%(title)s” opens nothing any more.") % {"title": row.title}
        response = go_to(request, "/parts/calendar", Message(said))
        return Done(303, record_id=row.id, headers=dict(response.headers))

    return write(work)


@router.get("/parts/calendar.ics", operation_id="page_calendar_file")
def read_file(request: Request, store: CurrentStore) -> Response:
    """Send the days as a file, to somebody who is signed in."""
    return _days(request, store)


@router.get("/calendar/{secret}/days.ics", operation_id="page_calendar_feed")
def read_feed(secret: Secret, request: Request, store: CurrentStore) -> Response:
    """Send the days to a calendar program, which knows the address."""
    with store.reading() as session:
        if not opens_feed(session, secret, request.app.state.clock()):
            raise HTTPException(404)
    return _days(request, store)


def _days(request: Request, store: Store) -> Response:
    return calendar_response(store, request.app.state.clock(), zone_of(request), request.app.state.families)
