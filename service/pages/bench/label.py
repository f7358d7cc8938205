"""Labels for the pack and the car: a number, and a code by which a telephone's own camera opens the unit's page."""

from __future__ import annotations

from fastapi import Request
from starlette.responses import Response

from service.access.hosts import reached_by
from service.core.translation import _
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.bench.state_of_unit import unit_of
from service.pages.bench.unit import UnitName
from service.pages.bench.units import unit_address, vehicle_address
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
    labels = [(_("Pack"), pack_id, reached.base + unit_address(pack_id))]
    if unit.vehicle_id is not None:  # the car's own address: when another pack goes in, its label stays
        labels.append((_("Vehicle"), unit.vehicle_id, reached.base + vehicle_address(unit.vehicle_id)))
    return render(
        request,
        "bench/label.html",
        unit=unit,
        labels=[(words, name, opens, code_of(opens)) for words, name, opens in labels],
        doubt=reached.doubt,
        address=unit_address(pack_id),
    )
