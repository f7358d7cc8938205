"""Pages of the release sheet: to look at and print, and as a PDF."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Request
from starlette.responses import Response

from models.base.errors import ModelRefused
from service.core.model_source import ModelSource
from service.core.refusals import Conflict, NoSuchRecord
from service.core.translation import _
from service.forecasting.issued.recheck_of import plan_with
from service.forecasting.recheck.schemas import RecheckAnswer
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.bench.sheet_content import Release, ReleaseSheet, release_of, sheet_of
from service.pages.bench.units import unit_address
from service.pages.forms import page_router
from service.pages.rendering import render, zone_of
from service.records.schemas import LARGEST_NUMBER
from service.store.schema import IssuedForecast

router = page_router()

ForecastNumber = Annotated[int, Path(ge=1, le=LARGEST_NUMBER)]


def _sheet(
    request: Request, store: CurrentStore, number: int, families: KnownFamilies, models: ModelSource
) -> ReleaseSheet:
    with store.reading() as session:
        row = session.get(IssuedForecast, number)
        if row is None:
            raise NoSuchRecord(_("There is no issued forecast %(number)s.") % {"number": number})
        now = request.app.state.clock()
        release = release_of(session, row, families, now)
    plan = _plan(release, families, models, threads=request.app.state.settings.threads)
    return sheet_of(release, plan, now, zone_of(request), request.app.state.settings.workshop)


def _plan(release: Release, families: KnownFamilies, models: ModelSource, *, threads: int) -> RecheckAnswer | None:
    """Return the recheck plan of the same model, facts and moment as the forecast; None if they are gone."""
    if release.changed or release.history is None:
        return None
    try:
        model = models.current()
    except ModelRefused:
        return None
    if model.manifest.model_id != release.row.model_id:
        return None
    return plan_with(release.row, release.history, model, families, threads=threads)


@router.get("/bench/forecasts/{number}", operation_id="page_release_sheet")
def show_sheet(number: ForecastNumber, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Show the release sheet of a forecast as it was issued."""
    sheet = _sheet(request, store, number, families, request.app.state.models)
    return render(request, "bench/sheet.html", sheet=sheet, address=unit_address(sheet.pack_id))


@router.get("/bench/forecasts/{number}/sheet.pdf", operation_id="page_release_sheet_pdf")
def read_sheet_pdf(number: ForecastNumber, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Send the release sheet as a PDF of one page."""
    # What writes PDFs takes half a second to load, and few sheets are asked for as one.
    from service.pages.bench.sheet_pdf import sheet_pdf

    sheet = _sheet(request, store, number, families, request.app.state.models)
    if sheet.held_back:
        raise Conflict(" ".join(sheet.held_back))
    named = {"Content-Disposition": f'inline; filename="release-{sheet.pack_id}-{number}.pdf"'}
    return Response(sheet_pdf(sheet, request.app.state.clock()), 200, named, "application/pdf")
