"""GET /v1/calendar.ics."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.decisions.calendar.feed import MEDIA_TYPE
from service.decisions.calendar.sending import calendar_response
from service.http.dependencies import CurrentStore, KnownFamilies
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["calendar"])


@router.get(
    "/calendar.ics",
    operation_id="read_calendar",
    response_class=Response,
    responses={200: {"content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}, **problem_responses(503)},
)
def read_calendar(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Read the recheck and order days of the packs that are out on a top-up, as an iCalendar feed."""
    now: datetime = request.app.state.clock()
    zone = ZoneInfo(request.app.state.settings.time_zone)
    return calendar_response(store, now, zone, families)
