"""The audit trail: every write, in the order in which it happened."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field, create_model
from starlette.responses import Response

from models.base.moments import Moment
from service.http.dependencies import CurrentStore
from service.http.etags import NOT_MODIFIED, TAGGED, IfNoneMatch, tag_of, tagged
from service.http.problems import problem_responses
from service.records.listing import list_page
from service.store.schema import AuditEntry


class AuditLine(BaseModel):
    """One write."""

    id: int
    at: datetime
    by: str = Field(description="The access key that wrote; `anyone` where there are no keys.")
    action: str = Field(description="The operation, as `correct_reading`.")
    record_id: str | None
    request_id: str | None


class AuditPage(BaseModel):
    """Some of the writes, the oldest first."""

    items: list[AuditLine]
    next_cursor: str | None


def audit_router(max_page: int) -> APIRouter:
    """Build the route; `max_page` is the most lines that one page may be asked for."""
    router = APIRouter(prefix="/v1", tags=["audit"])

    def list_audit(query: Any, store: CurrentStore, if_none_match: IfNoneMatch = None) -> Response:
        """List who wrote what, and when, a page at a time."""
        conditions = [
            *([AuditEntry.at >= query.since] if query.since else []),
            *([AuditEntry.at < query.before] if query.before else []),
        ]
        with store.reading() as session:
            rows, cursor = list_page(session, AuditEntry, conditions, query.limit, query.cursor)
        lines = [AuditLine(**{name: getattr(row, name) for name in AuditLine.model_fields}) for row in rows]
        body = AuditPage(items=lines, next_cursor=cursor).model_dump_json()
        return tagged(body, tag_of(body), if_none_match)

    query_type = create_model(
        "AuditQuery",
        __config__=ConfigDict(extra="forbid"),
        limit=(int, Field(min(100, max_page), ge=1, le=max_page, description="Lines on a page.")),
        cursor=(str | None, Field(None, max_length=200, description="`next_cursor` of the page before.")),
        since=(Moment | None, Field(None, description="Only writes at or after this.")),
        before=(Moment | None, Field(None, description="Only writes before this.")),
    )
    list_audit.__annotations__["query"] = Annotated[query_type, Query()]
    router.add_api_route(
        "/audit",
        list_audit,
        operation_id="list_audit",
        response_model=AuditPage,
        responses={200: {"headers": TAGGED}, **NOT_MODIFIED, **problem_responses(422, 503)},
    )
    return router
