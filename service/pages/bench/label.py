"""A label for the pack and the car: its number, and a code that a telephone's own camera opens the unit's page by."""

from __future__ import annotations

from typing import Final

from fastapi import Request
from markupsafe import Markup
from segno import make_qr
from starlette.responses import Response

from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.bench.state_of_unit import unit_of
from service.pages.bench.unit import UnitName
from service.pages.bench.units import unit_address
from service.pages.forms import page_router
from service.pages.rendering import render

MODULE: Final = 6
"""Side of the smallest square of a code in the drawing's units; the sheet scales it."""

router = page_router()


@router.get("/bench/units/{pack_id}/label", operation_id="page_label")
def show_label(pack_id: UnitName, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Show two labels to print, one for the pack and one for the car."""
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)
    opens = str(request.base_url).rstrip("/") + unit_address(pack_id)
    return render(
        request, "bench/label.html", unit=unit, opens=opens, code=code_of(opens), address=unit_address(pack_id)
    )


def code_of(text: str) -> Markup:
    """Draw a text as a QR code (ISO/IEC 18004), error correction M, with the four modules of quiet zone it asks for."""
    code = make_qr(text, error="M")
    drawn = code.svg_inline(
        scale=MODULE, border=4, light="#fff", dark="#000", omitsize=True, svgclass="code", lineclass=None
    )
    return Markup(drawn)  # noqa: S704  made here of squares alone
