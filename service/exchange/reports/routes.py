"""Reports over REST: what jobs have written, as JSON or as a page."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, Field
from starlette.responses import HTMLResponse, Response

from service.exchange.reports.files import list_reports, read_report
from service.http.problems import problem_responses
from service.records.schemas import Name

ReportName = Annotated[Name, Path(description="As the job that wrote it, or the list of reports, names it.")]

router = APIRouter(prefix="/v1/reports", tags=["reports"])


class WrittenReport(BaseModel):
    """A report that a job has written."""

    name: str
    at: datetime = Field(description="When it was written.")


class ReportList(BaseModel):
    """Every report, the newest first."""

    items: list[WrittenReport]


@router.get("", operation_id="list_reports", responses=problem_responses(503))
def list_written(request: Request) -> ReportList:
    """List the reports that were written."""
    found = list_reports(request.app.state.settings.reports_dir)
    return ReportList(items=[WrittenReport(name=report.name, at=report.at) for report in found])


@router.get(
    "/{name}",
    operation_id="read_report",
    response_model=dict[str, Any],
    responses=problem_responses(404, 422, 503),
)
def read_written(name: ReportName, request: Request) -> Response:
    """Read a report as `GET /v1/calibration` gave it when it was written."""
    text = read_report(request.app.state.settings.reports_dir, name, "json")
    return Response(text, media_type="application/json")


@router.get(
    "/{name}/page",
    operation_id="read_report_page",
    response_class=HTMLResponse,
    responses=problem_responses(404, 422, 503),
)
def read_written_page(name: ReportName, request: Request) -> Response:
    """Read a report as a page, to look at or to print."""
    return HTMLResponse(read_report(request.app.state.settings.reports_dir, name, "html"))
