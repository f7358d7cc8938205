"""A car that nobody knows yet: all of it on one page, and the answer beside it as soon as it can be given."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final, TypeVar

from fastapi import HTTPException, Request
from pydantic import BaseModel
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base import counts
from models.base.errors import BadInput, Problem
from models.packs.family import PackFamily
from models.packs.history import BlockReading, PackHistory, TopUp, UsagePlan
from service.core.cautions import at_the_pack, driving
from service.core.refusals import Conflict, sure_of
from service.core.translation import _, ngettext
from service.forecasting.forecasts.sentences import main_promise
from service.forecasting.issued.schemas import ForecastRequest
from service.http.dependencies import CurrentModel, KnownFamilies
from service.pages.bench.curve import curve_of
from service.pages.bench.facts import block_numbers, entries
from service.pages.bench.slips import doubts_of, in_volts
from service.pages.bench.state_of_unit import Told, forecast_now, moment_asked
from service.pages.bench.unit import last_safe_day, missing_of
from service.pages.bench.units import family_choices, unit_address
from service.pages.bench.voltages import WAYS, block_volts, way_words
from service.pages.forms import NO_FAULTS, Faults, Form, PageWrite, SentForm, checked, once, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, may, render, zone_of
from service.pages.undo import Step, step, undo_form
from service.pages.wording import for_input, moment_from
from service.records.records import create
from service.records.sense import not_yet
from service.records.subject import Subject
from service.records.subjects.packs import ASSIGNMENTS, PACKS, NewAssignment, NewPack
from service.records.subjects.readings import READINGS
from service.records.subjects.topups import TOPUPS
from service.records.subjects.usage import USAGE
from service.records.subjects.vehicles import VEHICLES, NewVehicle
from service.records.writing import Done
from service.store.schema import Vehicle

READ: Final = ("before", "before_load", "after", "after_load")
"""Readings that the form asks for, the first and third at rest; their fields begin with these words."""

CHARGE: Final = ("charge_ah", "end_v", "duration_h")
PLAN: Final = ("km_per_day", "trips_per_day", "ambient_c", "parked_days_in_30")

APART: Final = timedelta(minutes=1)
"""Two readings of one visit stand so far apart: a pack has one reading at a time. Our choice."""

LONGEST_H: Final = 2000.0
"""As long as a rest after a charge may be recorded (`TopUp.rest_after_h`). Unit: h."""

router = page_router()

_Field = TypeVar("_Field")


@dataclass
class Car:
    """What a form says of a car, as far as it can be read.

    Attributes
    ----------
    vehicle, pack : NewVehicle, NewPack or None
    family : PackFamily or None
    facts : dict of str to BlockReading, TopUp or UsagePlan
        By the part of the form.
    notes : list of str
        What was converted.
    problems : list of Problem
        With the form's own field names.
    """

    vehicle: NewVehicle | None = None
    pack: NewPack | None = None
    family: PackFamily | None = None
    facts: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def readings(self) -> list[BlockReading]:
        """Return the readings in order of time."""
        return sorted((self.facts[part] for part in READ if part in self.facts), key=lambda reading: reading.time)

    def history(self) -> PackHistory | None:
        """Return what is known as a history; None as long as nothing was measured or done."""
        if self.family is None or not (self.facts.keys() - {"plan"}):
            return None
        return PackHistory(
            pack_id=_("new") if self.pack is None else self.pack.id,
            family=self.family.name,
            age_years=None if self.pack is None else self.pack.age_years,
            odometer_km=None if self.pack is None else self.pack.odometer_km,
            readings=tuple(self.readings()),
            topups=(self.facts["charge"],) if "charge" in self.facts else (),
            usage=(self.facts["plan"],) if "plan" in self.facts else (),
        )

    def doubts(self, now: datetime) -> list[Problem]:
        """List what looks like a slip, each only once."""
        found: dict[tuple[str, str], Problem] = {}
        for part, fact in self.facts.items():
            word = {"charge": "topup", "plan": "usage"}.get(part, "reading")
            for doubt in doubts_of(word, fact.model_dump(), self.family, now):
                named = _named(part, doubt)
                found.setdefault((named.where, str(named.what)), named)
        return list(found.values())


def _named(part: str, problem: Problem) -> Problem:
    """Let a problem of a fact stand at the form's field."""
    if part in ("charge", "plan"):
        where = problem.where
    else:
        ends = {"block_v": "v", "temperature_c": "c", "current_a": "a"}
        name = problem.where.partition("[")[0]
        where = f"{part}_{ends[name]}{problem.where.removeprefix(name)}" if name in ends else problem.where
    # What concerns a fact as a whole stands at its first field.
    first = {"charge": "blocks", "plan": PLAN[0]}.get(part, f"{part}_v")
    return Problem(where or first, problem.what, problem.mend)


def car_of(form: Form, now: datetime, families: Mapping[str, PackFamily], zone: Any) -> Car:
    """Read a form."""
    car = Car(family=families.get(form.get("family")))
    _read_unit(car, form)
    last = (_read(car, moment_from, "time", form.get("time"), zone) if form.get("time") else None) or now
    rest, took = (_read(car, _hours, form, name) for name in ("rest_h", "duration_h"))
    car.problems += not_yet({"time": last}, now)
    charged = last - rest if rest is not None else None
    _read_charge(car, form, charged, last)
    begun = last if charged is None else charged - (took or timedelta())
    apart = min(APART, rest / 2) if rest else APART
    _read_readings(car, form, ("before", "before_load"), begun, apart)
    _read_readings(car, form, ("after", "after_load"), last, apart)
    faulty = {problem.where for problem in car.problems}
    if {"after", "after_load"} & car.facts.keys():
        if not form.get("blocks") and "blocks" not in faulty:
            car.problems.append(Problem("blocks", _("Which block was charged?"), _("Write its number, as 5.")))
        if not rest and "rest_h" not in faulty:
            what = _("A reading after the charge comes some time after it.")
            car.problems.append(Problem("rest_h", what, _("Write the hours between them, as 0.5.")))
    if any(form.get(name) for name in PLAN):
        plan = {name: _read(car, form.number_or_text, name) or None for name in PLAN}
        _keep(car, "plan", UsagePlan, plan | {"time": now})
    return car


def _read(car: Car, read: Callable[..., _Field | None], *asked: Any) -> _Field | None:
    """Read a field; what is wrong with it is kept with the other faults of the form, all of which are told at once."""
    try:
        return read(*asked)
    except BadInput as error:
        car.problems += error.problems
        return None


def _hours(form: Form, name: str) -> timedelta | None:
    if not form.get(name):
        return None
    try:
        hours = float(form.number_or_text(name))
    except ValueError:
        what = _("%(text)s is not a number.") % {"text": repr(form.get(name))}
        raise BadInput.one(name, what, _("Write hours, as 1.5.")) from None
    if not 0 <= hours <= LONGEST_H:
        what = _("%(hours)s cannot be.") % {"hours": _(counts.hours(hours))}
        raise BadInput.one(name, what, _("Write 0 to %(most)s.") % {"most": f"{LONGEST_H:g}"})
    return timedelta(seconds=round(3600 * hours))


def _keep(car: Car, part: str, kind: type[BaseModel], values: Mapping[str, Any]) -> None:
    try:
        car.facts[part] = checked(kind, values)
    except BadInput as error:
        car.problems += [_named(part, problem) for problem in error.problems]


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


def _read_charge(car: Car, form: Form, charged: datetime | None, at: datetime) -> None:
    if not any(form.get(name) for name in ("blocks", *CHARGE)):
        return
    if not form.get("blocks"):
        car.problems.append(Problem("blocks", _("Which block was charged?"), _("Write its number, as 5.")))
        return
    if charged is None and not form.get("rest_h"):
        what = _("How long ago the charge ended is not said.")
        car.problems.append(Problem("rest_h", what, _("Write the hours since then, as 0.5; 0 if it ended just now.")))
        return
    try:
        values: dict[str, Any] = {"blocks": block_numbers(form.get("blocks")), "time": charged or at}
    except BadInput as error:
        car.problems += error.problems
        return
    _keep(car, "charge", TopUp, values | {name: form.number_or_text(name) or None for name in CHARGE})
    if charged is None:  # looked over with the others, but when it was is not known
        car.facts.pop("charge", None)


def _read_readings(car: Car, form: Form, parts: tuple[str, str], at: datetime, apart: timedelta) -> None:
    """Read a visit's reading at rest and the one under load that follows it; the later of them was taken at `at`."""
    if car.family is None:
        return
    given = [part for part in parts if form.get(f"{part}_v")]
    for place, part in enumerate(reversed(given)):
        way = form.get("way") if form.get("way") in WAYS else "block"
        whole = form.number_or_text(f"{part}_whole_v")
        try:
            volts = block_volts(f"{part}_v", form.get(f"{part}_v"), way, _volts(f"{part}_whole_v", whole), car.family)  # type: ignore[arg-type]
        except BadInput as error:
            car.problems += error.problems
            continue
        volts, said = in_volts(volts, car.family)
        if said and said not in car.notes:
            car.notes.append(said)
        under_load = part.endswith("load")
        values = {
            "time": at - place * apart,
            "state": "discharge" if under_load else "rest",
            "block_v": volts,
            "temperature_c": form.number_or_text(f"{part}_c") or None,
            "current_a": form.number_or_text(f"{part}_a") or None,
        }
        _keep(car, part, BlockReading, values)


def _volts(where: str, text: str) -> float | None:
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        what = _("%(text)s is not a number.") % {"text": repr(text)}
        raise BadInput.one(where, what, _("Write volts, as 201.6.")) from None


def _answer(
    request: Request, car: Car, model: CurrentModel, families: Mapping[str, PackFamily], now: datetime
) -> dict[str, Any]:
    """Return what the answer beside the form says: the forecast, or what it still lacks."""
    told, history = Told(None), None
    try:
        history = car.history()
        if history is not None and history.topups:
            asked = ForecastRequest(at=moment_asked(history, now))
            threads = request.app.state.settings.threads
            told = forecast_now(history, asked, model, families, threads=threads, now=now, explain=False)
    except ValueError as error:
        told = Told(None, str(error))
    except Conflict as error:
        told = Told(None, str(error))
    forecast = told.forecast
    return {
        "told": told,
        "history": history,
        "missing": missing_of(history),
        "notes": car.notes,
        "took": _took(car),
        "promise": None if forecast is None else main_promise(forecast),
        "until": None if forecast is None else last_safe_day(forecast),
        "curve": None if forecast is None else curve_of(forecast, now, zone_of(request)),
        "driving": driving(),
    }


def _took(car: Car) -> list[tuple[str, datetime, str]]:
    """Say as of when each part was taken, and how many blocks were read."""
    words = {
        "before": _("Before the charge, at rest"),
        "before_load": _("Before the charge, under load"),
        "charge": _("End of the charge"),
        "after": _("After the charge, at rest"),
        "after_load": _("After the charge, under load"),
    }
    lines = []
    for part, said in words.items():
        if part not in car.facts:
            continue
        volts = [] if part == "charge" else car.facts[part].block_v
        read = sum(v is not None for v in volts)
        some = _("%(read)s of %(blocks)s blocks read") % {"read": read, "blocks": len(volts)}
        lines.append((said, car.facts[part].time, some if read < len(volts) else ""))
    return sorted(lines, key=lambda line: line[1])


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
        ways=list(way_words().items()),
        charge={entry.name: entry for entry in entries("topup")},
        plan=[entry for entry in entries("usage") if entry.name in PLAN],
        values=form.values() or begun,
        named=named,
        faults=faults,
        once=once(),
        cautions=at_the_pack(),
        measures=may(request, "create_reading"),
        **_answer(request, car, model, families, now),
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
    said = [problem for problem in (*car.problems, *car.doubts(now)) if _is_typed(problem, form)]
    return render(request, "bench/new_car_answer.html", wrong=said, **_answer(request, car, model, families, now))


def _is_typed(problem: Problem, form: Form) -> bool:
    """Tell whether a problem is with something that was typed, not with what is still to come."""
    return bool(form.get(problem.where.partition("[")[0]))


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
    doubts = car.doubts(write.at)
    if doubts and form.get("sure") != (sure := sure_of(doubts)):
        return _page(request, form, car, model, families, Faults(tuple(doubts), sure))
    try:
        return write(lambda session: _add(session, request, car, families, write))
    except BadInput as error:
        return _page(request, form, car, model, families, Faults(tuple(error.problems)))
    except Conflict as error:
        there = Problem("pack_id", str(error), _("If it is the same pack, look for it at the bench."))
        return _page(request, form, car, model, families, Faults((there,)))


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
    own = {"pack_id": car.pack.id}
    for reading in car.readings():
        add(READINGS, checked(READINGS.new, reading.model_dump() | own))
    for part, subject in (("charge", TOPUPS), ("plan", USAGE)):
        if part in car.facts:
            add(subject, checked(subject.new, car.facts[part].model_dump() | own))
    said = [_("Unit %(name)s is added.") % {"name": car.vehicle.id}]
    if not car.facts:
        said.append(_("Enter the readings taken before the charge next."))
    elif count := len(car.readings()):
        said.append(ngettext("%(num)s reading is recorded.", "%(num)s readings are recorded.", count) % {"num": count})
    message = Message(" ".join([*said, *car.notes]), undo_form(request, steps, "/bench"))
    return Done(303, None, car.pack.id, dict(go_to(request, unit_address(car.pack.id), message).headers))
