"""Pages of the record: the calibration of the model, what people were told, its card, and drift."""

from __future__ import annotations

from fastapi import Request
from starlette.responses import HTMLResponse, Response

from models.base.errors import ModelRefused
from models.features.definitions import PLAIN_WORDS
from service.core.settings import Settings
from service.forecasting.track_record.inputs import drift_of
from service.forecasting.track_record.reading import live_record, report_with_live_record
from service.http.dependencies import CurrentModel, CurrentStore, KnownFamilies
from service.pages.forms import page_router
from service.pages.middleware import REPORT_POLICY
from service.pages.record.agreement_drawing import agreement_drawing, months_drawing
from service.pages.rendering import render
from training.registry import ModelRegistry
from training.report import read_report, render_html

router = page_router()


@router.get("/record", operation_id="page_record")
def show_record(request: Request, model: CurrentModel) -> Response:
    """Say how far the model's probabilities held on packs it had not seen."""
    report = read_report(model.report)
    return render(
        request,
        "record/calibration.html",
        report=report,
        manifest=model.manifest,
        drawings=[agreement_drawing(day) for day in report.whole.days],
        rivals=[(part.name, part.score.score) for part in report.whole.comparisons],
    )


@router.get("/record/report", operation_id="page_whole_report")
def show_whole_report(request: Request, model: CurrentModel, store: CurrentStore) -> Response:
    """Show the whole calibration report, one sheet that can be kept, sent on and printed."""
    with store.reading() as session:
        report = report_with_live_record(model, session, request.app.state.clock())
    return HTMLResponse(render_html(report), headers={"Content-Security-Policy": REPORT_POLICY})


@router.get("/record/told", operation_id="page_told")
def show_told(request: Request, store: CurrentStore) -> Response:
    """Say what people were told, and what came of it."""
    with store.reading() as session:
        found = live_record(session, request.app.state.clock())
    drawing = None if found.told is None else months_drawing(found.told.months)
    return render(request, "record/told.html", found=found, drawing=drawing)


@router.get("/record/model", operation_id="page_model_card")
def show_model(request: Request, model: CurrentModel) -> Response:
    """Show the card of the model that answers, and how it came to answer."""
    settings: Settings = request.app.state.settings
    try:
        moves = ModelRegistry(settings.models_dir).history()
    except ModelRefused:
        moves = ()
    return render(request, "record/model.html", manifest=model.manifest, moves=moves[::-1])


@router.get("/record/drift", operation_id="page_drift")
def show_drift(request: Request, store: CurrentStore, model: CurrentModel, families: KnownFamilies) -> Response:
    """Say whether recent packs look like those the model learned from."""
    state = request.app.state
    with store.reading() as session:
        found = drift_of(session, model.model, families, state.clock(), threads=state.settings.threads)
    return render(request, "record/drift.html", found=found, plain_words=PLAIN_WORDS)
