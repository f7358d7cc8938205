"""A label for the pack and the car: its number, and a code that a telephone's own camera opens the unit's page by."""

from __future__ import annotations

from fastapi import Request
from starlette.responses import Response

from service.access.hosts import reached_by
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.bench.state_of_unit import unit_of
from service.pages.bench.unit import UnitName
from service.pages.bench.units import unit_address
from service.pages.codes import code_of
from service.pages.forms import page_router
from service.pages.rendering import render

router = page_router()


@router.get("/bench/units/{pack_id}/label", operation_id="page_label")
def show_label(pack_id: UnitName, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Show two labels to print, one for the pack and one for the car."""
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)
    reached = reached_by(request)
    opens = reached.base + unit_address(pack_id)
    return render(
        request,
        "bench/label.html",
        unit=unit,
        opens=opens,
        code=code_of(opens),
        doubt=reached.doubt,
        address=unit_address(pack_id),
    )
