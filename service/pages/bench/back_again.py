"""A known car is at the bench: its return, readings, the charge and the plan on one page, with the answer beside it."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from fastapi import Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput
from service.core.cautions import at_the_pack
from service.core.refusals import Conflict, Doubtful
from service.core.translation import _
from service.http.dependencies import CurrentModel, CurrentStore, KnownFamilies
from service.pages.bench.facts import faults_of, unsure
from service.pages.bench.state_of_unit import Unit, unit_of
from service.pages.bench.unit import UnitName
from service.pages.bench.units import unit_address
from service.pages.bench.visit import Visit, answer_to, asked_for, read_visit, typed_problems
from service.pages.forms import NO_FAULTS, Faults, Form, PageWrite, SentForm, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, render, zone_of
from service.pages.undo import Step, step, undo_form
from service.pages.wording import for_input
from service.records.records import create
from service.records.writing import Done

router = page_router()


def _known(unit: Unit) -> dict[str, Any]:
    """Return a pack and what is recorded of it as fields of a history."""
    if unit.history is not None:
        return {name: getattr(unit.history, name) for name in type(unit.history).model_fields}
    pack = unit.pack
    return {"pack_id": pack.id, "family": pack.family, "age_years": pack.age_years, "odometer_km": pack.odometer_km}


def is_out(unit: Unit) -> bool:
    """Tell whether a unit is out on a top-up, so that its fault can come back."""
    return unit.topped_at is not None and unit.over is None


def _visit_of(form: Form, unit: Unit, now: datetime, zone: Any) -> Visit:
    visit = Visit(family=unit.family)
    if form.get("became") and not is_out(unit):
        form = Form({name: sent for name, sent in form.sent.items() if name != "became"})
        visit.notes.append(_("It is noted already what became of the last top-up: nothing of that was recorded again."))
    read_visit(visit, form, now, zone, unit.topped_at)
    return visit


def _page(
    request: Request,
    form: Form,
    unit: Unit,
    visit: Visit,
    model: CurrentModel,
    families: KnownFamilies,
    faults: Faults,
) -> Response:
    now = request.app.state.clock()
    begun = {"time": for_input(now, zone_of(request)), "became": "returned" if is_out(unit) else ""}
    layout = {} if unit.family is None else {unit.family.name: [unit.family.blocks, unit.family.cells_per_block]}
    return render(
        request,
        "bench/back_again.html",
        status=422 if faults else 200,
        unit=unit,
        out=is_out(unit),
        layouts=json.dumps(layout),
        values=form.values() or begun,
        faults=faults,
        address=unit_address(unit.pack.id),
        cautions=at_the_pack(None if unit.family is None else unit.family.chemistry),
        known=True,
        **asked_for(),
        **answer_to(request, visit, _known(unit), model, families, now, unit.corrected),
    )


@router.get("/bench/units/{pack_id}/visit", operation_id="page_visit")
def show_visit(
    pack_id: UnitName, request: Request, store: CurrentStore, model: CurrentModel, families: KnownFamilies
) -> Response:
    """Ask for all of a visit."""
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)
    return _page(request, Form(), unit, Visit(), model, families, NO_FAULTS)


@router.post("/bench/units/{pack_id}/visit/answer", operation_id="page_visit_answer")
def show_answer(
    pack_id: UnitName,
    request: Request,
    form: SentForm,
    store: CurrentStore,
    model: CurrentModel,
    families: KnownFamilies,
) -> Response:
    """Answer from what was typed so far; nothing is stored."""
    now = request.app.state.clock()
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)
    visit = _visit_of(form, unit, now, zone_of(request))
    answer = answer_to(request, visit, _known(unit), model, families, now, unit.corrected)
    return render(request, "bench/visit_answer.html", wrong=typed_problems(visit, form, now), known=True, **answer)


@router.post("/bench/units/{pack_id}/visit", operation_id="page_visit_sent")
def record_visit(
    pack_id: UnitName,
    request: Request,
    form: SentForm,
    write: PageWrite,
    model: CurrentModel,
    families: KnownFamilies,
) -> Response:
    """Record all of a visit, or nothing of it."""
    with write.store.reading() as session:
        unit = unit_of(session, pack_id, families)
    earlier = write.earlier_answer()
    if earlier is not None:
        return earlier
    visit = _visit_of(form, unit, write.at, zone_of(request))
    if visit.problems:
        return _page(request, form, unit, visit, model, families, Faults(tuple(visit.problems)))
    if doubts := unsure(visit.doubts(write.at), form):
        return _page(request, form, unit, visit, model, families, doubts)
    try:
        return write(lambda session: _add(session, request, unit, visit, families, write))
    except (BadInput, Conflict, Doubtful) as error:
        return _page(request, form, unit, visit, model, families, faults_of(error, form))


def _add(
    session: Session, request: Request, unit: Unit, visit: Visit, families: KnownFamilies, write: PageWrite
) -> Done:
    steps: list[Step] = []
    address = unit_address(unit.pack.id)
    for subject, new in visit.records(unit.pack.id):
        steps.append(step(subject, create(session, subject, new, families, write.writer), "create"))
    if not steps:
        said = [_("Nothing was entered, so nothing was recorded."), *visit.notes]
        return Done(303, None, None, dict(go_to(request, address, Message(" ".join(said))).headers))
    said = [_("The visit of %(name)s is recorded.") % {"name": unit.name}, *visit.said()]
    message = Message(" ".join(said), undo_form(request, steps, address))
    return Done(303, None, unit.pack.id, dict(go_to(request, address, message).headers))
