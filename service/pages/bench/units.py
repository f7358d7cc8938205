"""Pages to find a unit and to add one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import quote, urlencode

from fastapi import Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from models.packs.family import PackFamily
from service.core.cautions import at_the_pack
from service.core.refusals import Conflict
from service.core.translation import _
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.bench.finding import find_units, lately
from service.pages.forms import NO_FAULTS, Faults, Form, PageWrite, SentForm, checked, once, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, render
from service.pages.undo import step, undo_form
from service.records.records import create
from service.records.subjects.packs import ASSIGNMENTS, PACKS, NewAssignment, NewPack
from service.records.subjects.vehicles import VEHICLES, NewVehicle
from service.records.writing import Done
from service.store.schema import Vehicle

LONGEST: Final = 64

router = page_router()


@router.get("/bench", operation_id="page_bench")
def show_bench(request: Request, store: CurrentStore) -> Response:
    """Find a unit, or see those worked on lately."""
    words, after = (_asked(request, name) for name in ("unit", "after"))
    with store.reading() as session:
        units, last = find_units(session, words, after) if words or after else (lately(session), None)
    following = f"/bench?{urlencode({'unit': words, 'after': last})}" if last else ""
    return render(request, "bench/units.html", units=units, words=words, following=following, cautions=at_the_pack())


def _asked(request: Request, name: str) -> str:
    """Return what is sought, without the one sign that PostgreSQL takes in no text."""
    return request.query_params.get(name, "").replace("\x00", "").strip()[:LONGEST]


def unit_address(pack_id: str) -> str:
    """Return the address of a unit's page."""
    return f"/bench/units/{quote(pack_id, safe='')}"


def family_choices(families: Mapping[str, PackFamily]) -> list[tuple[str, str]]:
    """Return the families as a form offers them, with what tells them apart."""
    return [
        (
            name,
            _("%(name)s: %(blocks)s blocks of %(cells)s cells, %(ah)s Ah, %(chemistry)s")
            % {
                "name": name,
                "blocks": family.blocks,
                "cells": family.cells_per_block,
                "ah": f"{family.rated_ah:g}",
                "chemistry": family.chemistry,
            },
        )
        for name, family in sorted(families.items())
    ]


def _add_page(request: Request, families: Mapping[str, PackFamily], form: Form, faults: Faults) -> Response:
    return render(
        request,
        "bench/add.html",
        status=422 if faults else 200,
        families=[("", _("Choose one")), *family_choices(families)],
        values=form.values() or {"vehicle_id": request.query_params.get("unit", "")},
        faults=faults,
        once=once(),
    )


@router.get("/bench/add", operation_id="page_add_unit")
def show_add(request: Request, families: KnownFamilies) -> Response:
    """Ask for a unit to add."""
    return _add_page(request, families, Form(), NO_FAULTS)


@router.post("/bench/add", operation_id="page_add_unit_sent")
def add_unit(request: Request, form: SentForm, write: PageWrite, families: KnownFamilies) -> Response:
    """Record a vehicle, its pack, and that the one sits in the other."""
    try:
        vehicle, pack, sits = _unit_of(form, write.at)
        return write(lambda session: _add(session, request, vehicle, pack, sits, families, write))
    except BadInput as error:
        return _add_page(request, families, form, Faults(tuple(error.problems)))
    except Conflict as error:
        there = Problem("pack_id", str(error), _("If it is the same pack, look for it at the bench."))
        return _add_page(request, families, form, Faults((there,)))


def _unit_of(form: Form, now: Any) -> tuple[NewVehicle, NewPack, NewAssignment]:
    problems: list[Problem] = []
    made: dict[str, Any] = {}
    pack_id = form.get("pack_id") or form.get("vehicle_id")
    wanted = (
        ("vehicle", NewVehicle, ("duty", "site"), {"id": form.get("vehicle_id")}, "vehicle_id"),
        ("pack", NewPack, ("family", "age_years", "odometer_km"), {"id": pack_id}, "pack_id"),
    )
    for part, schema, names, more, own in wanted:
        try:
            made[part] = form.read(schema, names, **more)
        except BadInput as error:
            problems += [Problem(own if p.where == "id" else p.where, p.what, p.mend) for p in error.problems]
    if form.get("pack_id") == "" and any(p.where == "vehicle_id" for p in problems):
        problems = [p for p in problems if p.where != "pack_id"]
    if problems:
        raise BadInput(problems)
    sits = {"pack_id": made["pack"].id, "vehicle_id": made["vehicle"].id, "since": now}
    return made["vehicle"], made["pack"], checked(NewAssignment, sits)


def _add(
    session: Session,
    request: Request,
    vehicle: NewVehicle,
    pack: NewPack,
    sits: NewAssignment,
    families: KnownFamilies,
    write: PageWrite,
) -> Done:
    steps = []
    if session.get(Vehicle, vehicle.id) is None:
        steps.append(step(VEHICLES, create(session, VEHICLES, vehicle, families, write.writer), "create"))
    steps.append(step(PACKS, create(session, PACKS, pack, families, write.writer), "create"))
    steps.append(step(ASSIGNMENTS, create(session, ASSIGNMENTS, sits, families, write.writer), "create"))
    said = _("Unit %(name)s is added. Enter the readings taken before the charge next.") % {"name": vehicle.id}
    message = Message(said, undo_form(request, steps, "/bench"))
    return Done(303, None, pack.id, dict(go_to(request, unit_address(pack.id), message).headers))
