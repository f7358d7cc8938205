"""Another pack goes into a unit's vehicle: what comes out, what goes in, and what is still to be done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import Request
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from service.core.cautions import at_the_pack
from service.core.refusals import Conflict, Doubtful
from service.core.translation import _
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.bench.facts import faults_of
from service.pages.bench.state_of_unit import Unit, unit_of
from service.pages.bench.unit import UnitName
from service.pages.bench.units import family_choices, unit_address
from service.pages.forms import NO_FAULTS, Faults, Form, PageWrite, SentForm, once, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, render, zone_of
from service.pages.undo import step, undo_form
from service.pages.wording import for_input, moment_from, outcome_words
from service.records.refitting.refit import refit
from service.records.refitting.schemas import Refit
from service.records.writing import Done

router = page_router()


@router.get("/bench/units/{pack_id}/other-pack", operation_id="page_other_pack")
def show_form(pack_id: UnitName, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Ask which pack goes in, and when."""
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)
    values = {"at": for_input(request.app.state.clock(), zone_of(request)), "family": unit.pack.family}
    return _page(request, unit, families, values)


@router.post("/bench/units/{pack_id}/other-pack", operation_id="page_fit_pack")
def fit_pack(
    pack_id: UnitName, request: Request, form: SentForm, write: PageWrite, families: KnownFamilies
) -> Response:
    """Record that another pack went in."""
    with write.store.reading() as session:
        unit = unit_of(session, pack_id, families)
    if (before := write.earlier_answer()) is not None:
        return before
    if unit.vehicle_id is None:
        return go_to(request, unit_address(pack_id), Message(_("It sits in no vehicle: nothing was changed.")))

    def work(session: Any) -> Done:
        assert unit.vehicle_id is not None
        told, changes = refit(session, unit.vehicle_id, _asked(request, form), families, write.writer)
        address = unit_address(told.pack_id)
        undo = undo_form(request, [step(*change) for change in changes.steps], unit_address(pack_id))
        message = Message(" ".join(told.said), undo)
        return Done(303, None, told.assignment_id, dict(go_to(request, address, message).headers))

    try:
        return write(work)
    except (BadInput, Conflict, Doubtful) as error:
        faults = faults_of(error, form)
        if isinstance(error, Conflict):
            faults = Faults((Problem("pack_id", str(error), _("Write the number of the pack that goes in.")),))
        return _page(request, unit, families, form.values(), faults)


def _asked(request: Request, form: Form) -> Refit:
    at = moment_from("at", form.get("at"), zone_of(request))
    return form.read(Refit, ("pack_id", "family", "age_years", "odometer_km", "old_became"), at=at)


def _page(
    request: Request,
    unit: Unit,
    families: KnownFamilies,
    values: Mapping[str, str],
    faults: Faults = NO_FAULTS,
) -> Response:
    became = outcome_words()
    return render(
        request,
        "bench/other_pack.html",
        status=422 if faults else 200,
        unit=unit,
        open=unit.topped_at is not None and unit.over is None,
        families=family_choices(families),
        became=[(name, became[name]) for name in ("replaced", "returned")],
        values=values,
        faults=faults,
        labels={
            "pack_id": _("Number of the pack that goes in"),
            "family": _("Kind of pack"),
            "at": _("When"),
            "odometer_km": _("Odometer"),
            "age_years": _("Its age"),
            "old_became": _("What became of the old one's top-up"),
        },
        once=once(),
        address=unit_address(unit.pack.id),
        cautions=at_the_pack(None if unit.family is None else unit.family.chemistry),
    )
