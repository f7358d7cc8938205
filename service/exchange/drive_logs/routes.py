"""Kept drive logs over REST: list them, fetch one as Parquet, remove one."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, ConfigDict, Field, create_model
from sqlalchemy.orm import Session
from starlette.responses import Response

from service.core.refusals import NoSuchRecord
from service.core.translation import _
from service.exchange.drive_logs.packing import file_name
from service.http.dependencies import CurrentStore
from service.http.problems import problem_responses
from service.records.listing import list_page
from service.records.schemas import LARGEST_NUMBER, Name
from service.records.writing import Done, Write
from service.store.schema import DriveLog

MEDIA_TYPE: Final = "application/vnd.apache.parquet"


class DriveLogFacts(BaseModel):
    """A raw drive log that was kept at an import."""

    id: int
    pack_id: str
    begins_at: datetime
    ends_at: datetime
    rows: int
    size_bytes: int = Field(description="As Parquet, as it is kept.")
    file: str = Field(description="The file it came in with.")
    recorded_at: datetime
    recorded_by: str


class DriveLogPage(BaseModel):
    """Some of the kept logs, in the order in which they came in."""

    items: list[DriveLogFacts]
    next_cursor: str | None


LogNumber = Annotated[int, Path(ge=1, le=LARGEST_NUMBER)]


def facts_of(row: DriveLog) -> DriveLogFacts:
    """Return what is told of a kept log."""
    return DriveLogFacts.model_validate({name: getattr(row, name) for name in DriveLogFacts.model_fields})


def the_log(session: Session, log_id: int) -> DriveLog:
    """Return a kept log.

    Raises
    ------
    NoSuchRecord
    """
    row = session.get(DriveLog, log_id)
    if row is None:
        raise NoSuchRecord(_("There is no drive log %(number)s.") % {"number": log_id})
    return row


def drive_logs_router(max_page: int) -> APIRouter:
    """Build the routes; `max_page` is the most logs that one page may be asked for."""
    router = APIRouter(prefix="/v1/drive-logs", tags=["drive logs"])

    def list_drive_logs(query: Any, store: CurrentStore) -> DriveLogPage:
        """List the raw drive logs that were kept, a page at a time."""
        of = [DriveLog.pack_id == query.pack_id] if query.pack_id else []
        with store.reading() as session:
            rows, cursor = list_page(session, DriveLog, of, query.limit, query.cursor)
            return DriveLogPage(items=[facts_of(row) for row in rows], next_cursor=cursor)

    query_type = create_model(
        "DriveLogQuery",
        __config__=ConfigDict(extra="forbid"),
        limit=(int, Field(min(100, max_page), ge=1, le=max_page, description="Logs on a page.")),
        cursor=(str | None, Field(None, max_length=200, description="`next_cursor` of the page before.")),
        pack_id=(Name | None, Field(None, description="Only those of this pack.")),
    )
    list_drive_logs.__annotations__["query"] = Annotated[query_type, Query()]
    router.add_api_route("", list_drive_logs, operation_id="list_drive_logs", responses=problem_responses(422, 503))

    @router.get(
        "/{log_id}",
        operation_id="read_drive_log",
        response_class=Response,
        responses={
            200: {"content": {MEDIA_TYPE: {"schema": {"type": "string", "format": "binary"}}}},
            **problem_responses(404, 422, 503),
        },
    )
    def read_drive_log(log_id: LogNumber, store: CurrentStore) -> Response:
        """Fetch a raw drive log as Parquet, in the columns of the documented readings."""
        with store.reading() as session:
            row = the_log(session, log_id)
            name, content = file_name(row), row.content
        return Response(
            content, media_type=MEDIA_TYPE, headers={"Content-Disposition": f'attachment; filename="{name}"'}
        )

    @router.delete(
        "/{log_id}",
        operation_id="remove_drive_log",
        response_model=DriveLogFacts,
        responses=problem_responses(404, 413, 422, 503),
    )
    def remove_drive_log(log_id: LogNumber, write: Write) -> Response:
        """Remove a raw drive log for good. The readings that tell of it stay."""

        def work(session: Session) -> Done:
            row = the_log(session, log_id)
            body = facts_of(row)
            session.delete(row)
            return Done(200, body, log_id)

        return write(work)

    return router
