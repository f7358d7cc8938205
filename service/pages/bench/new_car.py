"""A car that nobody knows yet: all of it on one page, and the answer beside it as soon as it can be given."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from fastapi import HTTPException, Request
from pydantic import BaseModel
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from models.packs.family import PackFamily
from service.core.cautions import at_the_pack
from service.core.refusals import Conflict, Doubtful
from service.core.translation import _
from service.http.dependencies import CurrentModel, KnownFamilies
from service.pages.bench.facts import faults_of, unsure
from service.pages.bench.units import family_choices, unit_address
from service.pages.bench.visit import Visit, answer_to, asked_for, read_visit, typed_problems
from service.pages.forms import NO_FAULTS, Faults, Form, PageWrite, SentForm, checked, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, may, render, zone_of
from service.pages.undo import Step, step, undo_form
from service.pages.wording import for_input
from service.records.records import create
from service.records.subject import Subject
from service.records.subjects.packs import ASSIGNMENTS, PACKS, NewAssignment, NewPack
from service.records.subjects.vehicles import VEHICLES, NewVehicle
from service.records.writing import Done
from service.store.schema import Vehicle

router = page_router()


@dataclass
class Car(Visit):
    """What a form says of a car and of its first visit, as far as it can be read."""

    vehicle: NewVehicle | None = None
    pack: NewPack | None = None

    def known(self) -> dict[str, Any]:
        """Return the pack as fields of a history."""
        if self.pack is None:
            return {"pack_id": _("new"), "family": "" if self.family is None else self.family.name}
        return {
            "pack_id": self.pack.id,
            "family": self.pack.family,
            "age_years": self.pack.age_years,
            "odometer_km": self.pack.odometer_km,
        }


def car_of(form: Form, now: datetime, families: Mapping[str, PackFamily], zone: Any) -> Car:
    """Read a form."""
    car = Car(family=families.get(form.get("family")))
    _read_unit(car, form)
    read_visit(car, form, now, zone)
    return car


def _read_unit(car: Car, form: Form) -> None:
    own = form.get("pack_id") or form.get("vehicle_id")
    try:
        car.vehicle = form.read(NewVehicle, ("duty", "site"), id=form.get("vehicle_id"))
    except BadInput as error:
        car.problems += [Problem("vehicle_id" if p.where == "id" else p.where, p.what, p.mend) for p in error.problems]
    try:
        car.pack = form.read(NewPack, ("family", "age_years", "odometer_km"), id=own)
    except BadInput as error:
        wrong = [Problem("pack_id" if p.where == "id" else p.where, p.what, p.mend) for p in error.problems]
        # Without a number of its own the pack has the vehicle's, of which it was said already.
        car.problems += [p for p in wrong if form.get("pack_id") or p.where != "pack_id"]


def _page(
    request: Request, form: Form, car: Car, model: CurrentModel, families: Mapping[str, PackFamily], faults: Faults
) -> Response:
    now = request.app.state.clock()
    named = request.query_params.get("unit", "")[:64]
    kind = request.query_params.get("family", "")
    begun = {"vehicle_id": named, "time": for_input(now, zone_of(request)), "family": kind if kind in families else ""}
    return render(
        request,
        "bench/new_car.html",
        status=422 if faults else 200,
        families=[("", _("Choose one")), *family_choices(families)],
        layouts=json.dumps({name: [family.blocks, family.cells_per_block] for name, family in families.items()}),
        values=form.values() or begun,
        named=named,
        faults=faults,
        cautions=at_the_pack(),
        measures=may(request, "create_reading"),
        **asked_for(),
        **answer_to(request, car, car.known(), model, families, now),
    )


@router.get("/bench/add", operation_id="page_add_unit")
def show_add(request: Request, model: CurrentModel, families: KnownFamilies) -> Response:
    """Ask for a car and all that is known of it."""
    return _page(request, Form(), Car(), model, families, NO_FAULTS)


@router.post("/bench/add/answer", operation_id="page_first_answer")
def show_answer(request: Request, form: SentForm, model: CurrentModel, families: KnownFamilies) -> Response:
    """Answer from what was typed so far; nothing is stored."""
    now = request.app.state.clock()
    car = car_of(form, now, families, zone_of(request))
    answer = answer_to(request, car, car.known(), model, families, now)
    return render(request, "bench/visit_answer.html", wrong=typed_problems(car, form, now), known=False, **answer)


@router.post("/bench/add", operation_id="page_add_unit_sent")
def add_unit(
    request: Request, form: SentForm, write: PageWrite, model: CurrentModel, families: KnownFamilies
) -> Response:
    """Record a vehicle, its pack, that the one sits in the other, and what was measured, charged and planned."""
    car = car_of(form, write.at, families, zone_of(request))
    if car.facts and not may(request, "create_reading"):
        raise HTTPException(403, _("Your role may not change these records."))
    if car.problems:
        return _page(request, form, car, model, families, Faults(tuple(car.problems)))
    if doubts := unsure([*_doubtful_pack(car, write.at), *car.doubts(write.at)], form):
        return _page(request, form, car, model, families, doubts)
    try:
        return write(lambda session: _add(session, request, car, families, write))
    except (BadInput, Doubtful) as error:
        named = [replace(one, where="vehicle_id") if one.where == "id" else one for one in error.problems]
        found = BadInput(named) if isinstance(error, BadInput) else Doubtful(named)
        return _page(request, form, car, model, families, faults_of(found, form))
    except Conflict as error:
        there = Problem("pack_id", str(error), _("If it is the same pack, look for it at the bench."))
        return _page(request, form, car, model, families, Faults((there,)))


def _doubtful_pack(car: Car, now: datetime) -> list[Problem]:
    """Ask about a pack that a fact stops, before it is taken in as one that sits in a vehicle."""
    told = car.stopped(car.known(), now)
    stops = [] if told is None else [stop for stop in told.stops if stop.ends == "everything"]
    return [Problem("pack_id", _("STOP: %(what)s") % {"what": stop.text}, stop.instead) for stop in stops]


def _add(session: Session, request: Request, car: Car, families: KnownFamilies, write: PageWrite) -> Done:
    assert car.vehicle is not None
    assert car.pack is not None
    steps: list[Step] = []

    def add(subject: Subject, new: BaseModel) -> None:
        steps.append(step(subject, create(session, subject, new, families, write.writer), "create"))

    if session.get(Vehicle, car.vehicle.id) is None:
        add(VEHICLES, car.vehicle)
    add(PACKS, car.pack)
    sits = {"pack_id": car.pack.id, "vehicle_id": car.vehicle.id, "since": write.at}
    add(ASSIGNMENTS, checked(NewAssignment, sits))
    for subject, new in car.records(car.pack.id):
        add(subject, new)
    said = [_("Unit %(name)s is added.") % {"name": car.vehicle.id}]
    if not car.facts:
        said.append(_("Enter the readings taken before the charge next."))
    said += car.said()
    message = Message(" ".join(said), undo_form(request, steps, "/bench"))
    return Done(303, None, car.pack.id, dict(go_to(request, unit_address(car.pack.id), message).headers))
