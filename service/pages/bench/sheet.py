"""Pages of the release sheet: to look at and print, and as a PDF."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Request
from starlette.responses import Response

from service.families.routes import KnownFamilies
from service.pages.bench.sheet_content import ReleaseSheet, sheet_of
from service.pages.bench.sheet_pdf import sheet_pdf
from service.pages.bench.units import unit_address
from service.pages.forms import page_router
from service.pages.rendering import render, zone_of
from service.records.errors import NoSuchRecord
from service.records.routes import CurrentStore
from service.records.schemas import LARGEST_NUMBER
from service.store.schema import IssuedForecast

router = page_router()

ForecastNumber = Annotated[int, Path(ge=1, le=LARGEST_NUMBER)]


def _sheet(request: Request, store: CurrentStore, number: int, families: KnownFamilies) -> ReleaseSheet:
    with store.reading() as session:
        row = session.get(IssuedForecast, number)
        if row is None:
            raise NoSuchRecord(f"There is no issued forecast {number}.")
        return sheet_of(session, row, families, request.app.state.clock(), zone_of(request))


@router.get("/bench/forecasts/{number}", operation_id="page_release_sheet")
def show_sheet(number: ForecastNumber, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Show the release sheet of a forecast as it was issued."""
    sheet = _sheet(request, store, number, families)
    return render(request, "bench/sheet.html", sheet=sheet, address=unit_address(sheet.pack_id))


@router.get("/bench/forecasts/{number}/sheet.pdf", operation_id="page_release_sheet_pdf")
def read_sheet_pdf(number: ForecastNumber, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Send the release sheet as a PDF of one page."""
    sheet = _sheet(request, store, number, families)
    named = {"Content-Disposition": f'inline; filename="release-{sheet.pack_id}-{number}.pdf"'}
    return Response(sheet_pdf(sheet, request.app.state.clock()), 200, named, "application/pdf")
