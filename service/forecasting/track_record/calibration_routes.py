"""GET /v1/calibration, as JSON or as a page."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from service.forecasting.track_record.reading import report_with_live_record
from service.http.dependencies import CurrentModel, CurrentStore
from service.http.problems import problem_responses
from service.store.opening import Store
from training.registry import StoredModel
from training.report import CalibrationReport, render_html

router = APIRouter(prefix="/v1", tags=["calibration"])


@router.get(
    "/calibration",
    operation_id="read_calibration",
    response_model=dict[str, Any],
    responses={200: {"content": {"text/html": {}}}, **problem_responses(409, 503)},
)
def read_calibration(request: Request, model: CurrentModel, store: CurrentStore) -> Response:
    """Tell how far the model's probabilities held on packs it had not seen; a page if the caller prefers HTML.

    If forecasts were stored, the part `told` says what came of them.
    """
    report = _report(request, model, store)
    if _prefers_html(request.headers.get("accept", "")):
        return _page(report)
    return JSONResponse(report.model_dump(mode="json"), headers={"Vary": "Accept"})


@router.get(
    "/calibration.html",
    operation_id="read_calibration_page",
    response_class=HTMLResponse,
    responses=problem_responses(409, 503),
)
def read_calibration_page(request: Request, model: CurrentModel, store: CurrentStore) -> Response:
    """Show the calibration report as a page."""
    return _page(_report(request, model, store))


def _report(request: Request, model: StoredModel, store: Store) -> CalibrationReport:
    with store.reading() as session:
        return report_with_live_record(model, session, request.app.state.clock())


def _page(report: CalibrationReport) -> Response:
    return HTMLResponse(render_html(report), headers={"Vary": "Accept"})


def _prefers_html(accept: str) -> bool:
    """Whether text/html has more weight than application/json (RFC 9110, 12.5.1)."""
    weights = {"text/html": 0.0, "application/json": 0.0}
    for entry in accept.split(","):
        name, *parameters = (part.strip().lower() for part in entry.split(";"))
        if name in weights:
            weights[name] = max((_weight(p) for p in parameters if p.startswith("q=")), default=1.0)
    return weights["text/html"] > weights["application/json"]


def _weight(parameter: str) -> float:
    try:
        return float(parameter.removeprefix("q="))
    except ValueError:
        return 0.0
