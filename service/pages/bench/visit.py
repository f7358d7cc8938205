"""A visit to the bench as a form says it: what came back, readings, the charge, the plan; and the answer to it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any, Final, TypeVar

from fastapi import Request
from pydantic import BaseModel

from models.base import counts
from models.base.errors import BadInput, Problem
from models.forecasts.forecast import Flag
from models.packs.family import PackFamily
from models.packs.history import LOOKED, BlockReading, Outcome, PackHistory, State, TopUp, UsagePlan
from models.packs.stops.charging import begun
from service.core.cautions import driving
from service.core.refusals import Conflict
from service.core.stops import ToldStops
from service.core.translation import _, ngettext, translated_problems
from service.forecasting.forecasts.sentences import main_promise
from service.forecasting.issued.schemas import ForecastRequest
from service.http.dependencies import CurrentModel
from service.pages.bench.curve import curve_if_told
from service.pages.bench.facts import block_numbers, entries
from service.pages.bench.in_volts import in_volts
from service.pages.bench.seen import seen_charge, seen_reading
from service.pages.bench.state_of_unit import Told, forecast_now, moment_asked, stops_now
from service.pages.bench.unit import last_safe_day, missing_of
from service.pages.bench.voltages import WAYS, block_volts, some_volts, way_words
from service.pages.forms import Form, checked, once
from service.pages.rendering import zone_of
from service.pages.wording import inspected_words, moment_from
from service.records.ahead import not_yet
from service.records.field_words import to_the_minute
from service.records.sense import fit_problems
from service.records.slips import doubts_of
from service.records.subject import Subject
from service.records.subjects.outcomes import OUTCOMES
from service.records.subjects.readings import READINGS
from service.records.subjects.topups import TOPUPS
from service.records.subjects.usage import USAGE

READ: Final = ("before", "before_load", "after", "after_load")
"""Readings that the form asks for, the first and third at rest; their fields begin with these words."""

RETURN: Final = ("code", "odometer_km", "found")
CHARGE: Final = ("charge_ah", "end_v", "duration_h")
PLAN: Final = ("km_per_day", "trips_per_day", "ambient_c", "parked_days_in_30")

MORE: Final = {"c": "temperature_c", "a": "current_a", "inspected": "inspected"}
"""Ends of the fields that are noted with a reading, and what they are called in it."""

APART: Final = timedelta(minutes=1)
"""Two readings of one visit stand so far apart: a pack has one reading at a time. Our choice."""

LONGEST_H: Final = 2000.0
"""As long as a rest after a charge may be recorded (`TopUp.rest_after_h`). Unit: h."""

_Field = TypeVar("_Field")


@dataclass
class Visit:
    """What a form says of a visit, as far as it can be read.

    Attributes
    ----------
    facts : dict of str to Outcome, BlockReading, TopUp or UsagePlan
        By the part of the form.
    seen : dict of str to BlockReading or TopUp
        By the part of the form, what can be read of it whatever else is wrong, for the stops alone.
    notes : list of str
        What was converted.
    problems : list of Problem
        With the form's own field names.
    """

    family: PackFamily | None = None
    facts: dict[str, Any] = field(default_factory=dict)
    seen: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def readings(self) -> list[BlockReading]:
        """Return the readings in order of time."""
        return sorted((self.facts[part] for part in READ if part in self.facts), key=lambda reading: reading.time)

    def history(self, known: Mapping[str, Any]) -> PackHistory | None:
        """Return what is known now as a history; None as long as nothing was measured or done.

        Parameters
        ----------
        known : mapping
            The pack, and what was recorded of it before, as fields of `PackHistory`.
        """
        if self.family is None or not (known.get("topups") or self.facts.keys() - {"plan", "return"}):
            return None
        new = {"readings": self.readings(), "topups": self._of("charge"), "usage": self._of("plan")}
        new["outcomes"] = self._of("return")
        facts = {name: [*known.get(name, ()), *added] for name, added in new.items()}
        for name in ("readings", "topups", "outcomes"):
            facts[name].sort(key=lambda fact: fact.time)
        return checked(PackHistory, {**known, **facts})

    def stopped(self, known: Mapping[str, Any], now: datetime) -> ToldStops | None:
        """Return what ends the job, or charging where a charge is still to come, by all that can be read.

        Parameters
        ----------
        known : mapping
            As for `history`.
        """
        family = self.family
        if family is None or not (known.get("topups") or self.seen):
            return None
        charges = [self.seen["charge"]] if "charge" in self.seen else []
        new = {"readings": [self.seen[part] for part in READ if part in self.seen], "topups": charges}
        facts = {name: [f for f in known.get(name, ()) if not fit_problems(family, f)] + new[name] for name in new}
        facts["outcomes"] = [*known.get("outcomes", ()), *self._of("return")]
        in_order = {name: tuple(sorted(some, key=lambda fact: fact.time)) for name, some in facts.items()}
        bare = {"age_years": None, "odometer_km": None, "usage": ()}
        history = PackHistory.model_construct(**{**bare, **known, **in_order})
        # A date that lies ahead is a slip; what was read stops all the same.
        latest = max([now, *(fact.time for fact in self.seen.values())])
        to_come = not charges and (not history.topups or history.ended is not None)
        return stops_now(history, family, latest, charging=to_come)

    def _of(self, part: str) -> list[Any]:
        return [self.facts[part]] if part in self.facts else []

    def records(self, pack_id: str) -> Iterator[tuple[Subject, BaseModel]]:
        """Yield what is to be recorded of a pack, in order of time."""
        parts = [("return", OUTCOMES), *((part, READINGS) for part in READ), ("charge", TOPUPS), ("plan", USAGE)]
        given = [(self.facts[part], subject) for part, subject in parts if part in self.facts]
        for fact, subject in sorted(given, key=lambda one: one[0].time):
            yield subject, checked(subject.new, fact.model_dump() | {"pack_id": pack_id})

    def said(self) -> list[str]:
        """Say what was recorded."""
        count = len(self.readings())
        words = ngettext("%(num)s reading is recorded.", "%(num)s readings are recorded.", count) % {"num": count}
        return [words, *self.notes] if count else self.notes

    def doubts(self, now: datetime) -> list[Problem]:
        """List what looks like a slip, each only once."""
        found: dict[tuple[str, str], Problem] = {}
        for part, fact in self.facts.items():
            word = {"charge": "topup", "plan": "usage", "return": "outcome"}.get(part, "reading")
            for doubt in doubts_of(word, fact.model_dump(), self.family, now):
                named = _named(part, doubt)
                found.setdefault((named.where, str(named.what)), named)
        return list(found.values())


def _named(part: str, problem: Problem) -> Problem:
    """Let a problem of a fact stand at the form's field."""
    if part in ("charge", "plan"):
        where = problem.where
    elif part == "return":
        where = "came_back" if problem.where == "time" else problem.where
    else:
        ends = {"block_v": "v", "temperature_c": "c", "current_a": "a", "inspected": "inspected"}
        name = problem.where.partition("[")[0]
        where = f"{part}_{ends[name]}{problem.where.removeprefix(name)}" if name in ends else problem.where
    # What concerns a fact as a whole stands at its first field.
    first = {"charge": "blocks", "plan": PLAN[0], "return": "became"}.get(part, f"{part}_v")
    return Problem(first if where in ("", "input") else where, problem.what, problem.mend)


def read_visit(visit: Visit, form: Form, now: datetime, zone: Any, topped_at: datetime | None = None) -> None:
    """Read the visit's parts of a form; the fault cannot have come back before the pack was last topped up."""
    last = (_read(visit, moment_from, "time", form.get("time"), zone) if form.get("time") else None) or now
    rest, took = (_read(visit, _hours, form, name) for name in ("rest_h", "duration_h"))
    visit.problems += not_yet({"time": last}, now)
    ended = last - (2 * APART if rest is None else rest)
    _read_charge(visit, form, ended)
    charging = rest is not None or any(form.get(name) for name in ("blocks", *CHARGE, "after_v", "after_load_v"))
    start = _begun(visit, ended, took, topped_at) if charging else last
    apart = min(APART, rest / 2) if rest else APART
    _read_readings(visit, form, ("before", "before_load"), start, apart)
    _read_readings(visit, form, ("after", "after_load"), last, apart)
    faulty = {problem.where for problem in visit.problems}
    if {"after", "after_load"} & visit.facts.keys():
        if not form.get("blocks") and "blocks" not in faulty:
            visit.problems.append(Problem("blocks", _("Which block was charged?"), _("Write its number, as 5.")))
        if not rest and "rest_h" not in faulty:
            what = _("A reading after the charge comes some time after it.")
            visit.problems.append(Problem("rest_h", what, _("Write the hours between them, as 0.5.")))
    if any(form.get(name) for name in PLAN):
        plan = {name: _read(visit, form.number_or_text, name) or None for name in PLAN}
        _keep(visit, "plan", UsagePlan, plan | {"time": now})
    _read_return(visit, form, start, zone, topped_at)
    if visit.problems:  # nothing of it can be recorded yet, so that its look lifts no stop yet
        for part, fact in visit.seen.items():
            if part in READ and fact.inspected in LOOKED:
                visit.seen[part] = fact.model_copy(update={"inspected": None})


def _read(visit: Visit, read: Callable[..., _Field | None], *asked: Any) -> _Field | None:
    """Read a field; what is wrong with it is kept with the other faults of the form, all of which are told at once."""
    try:
        return read(*asked)
    except BadInput as error:
        visit.problems += error.problems
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
        what = _("%(hours)s cannot be right.") % {"hours": _(counts.hours(hours))}
        raise BadInput.one(name, what, _("Write 0 to %(most)s.") % {"most": f"{LONGEST_H:g}"})
    return timedelta(seconds=round(3600 * hours))


def _keep(visit: Visit, part: str, kind: type[BaseModel], values: Mapping[str, Any]) -> None:
    try:
        fact = checked(kind, values)
        if problems := _misfits(fact, visit.family):
            raise BadInput(problems)
        visit.facts[part] = fact
    except BadInput as error:
        visit.problems += [_named(part, problem) for problem in error.problems]


def _misfits(fact: BaseModel, family: PackFamily | None) -> list[Problem]:
    if family is None or not isinstance(fact, BlockReading | TopUp):
        return []
    return fit_problems(family, fact)


def _read_return(visit: Visit, form: Form, start: datetime, zone: Any, topped_at: datetime | None) -> None:
    """Read that the fault came back: before all that was done in this visit, if no other time is given."""
    if form.get("became") != "returned":
        return
    first = min((fact.time for part, fact in visit.facts.items() if part != "plan"), default=start + APART)
    when = _read(visit, moment_from, "came_back", form.get("came_back"), zone) if form.get("came_back") else None
    if when is not None and when >= first and visit.facts.keys() - {"plan"}:
        what = _("That is after the first reading or the charge of this visit.")
        visit.problems.append(Problem("came_back", what, _("Leave it empty, or give the time before them.")))
        return
    at = when or first - APART
    if topped_at is not None and at < topped_at:
        what = _("That is before the end of the last top-up, at %(time)s: a fault comes back only after it.") % {
            "time": to_the_minute(topped_at.astimezone(zone))
        }
        mend = _("Give the time after it; what came back before belongs to an earlier top-up.")
        visit.problems.append(Problem("time" if when is None else "came_back", what, mend))
        return
    values = {name: _read(visit, form.number_or_text, name) or None for name in RETURN}
    _keep(visit, "return", Outcome, values | {"time": at, "kind": "returned"})


def _begun(visit: Visit, ended: datetime, took: timedelta | None, topped_at: datetime | None) -> datetime:
    """Return when the charge began: what was read before it stays before it where its duration was not noted."""
    if took:
        return ended - took
    charge, latest = visit.seen.get("charge"), ended - APART
    gentle = latest if charge is None or visit.family is None else min(begun(charge, visit.family), latest)
    # The fault came back, and was read at rest and under load, between the last top-up and this one.
    return gentle if topped_at is None else max(gentle, min(topped_at + 3 * APART, latest))


def _read_charge(visit: Visit, form: Form, ended: datetime) -> None:
    if not any(form.get(name) for name in ("blocks", *CHARGE)):
        return
    if not form.get("blocks"):
        visit.problems.append(Problem("blocks", _("Which block was charged?"), _("Write its number, as 5.")))
        return
    try:
        blocks = block_numbers(form.get("blocks"))
    except BadInput as error:
        visit.problems += error.problems
        return
    typed = {name: _read(visit, form.number_or_text, name) or None for name in CHARGE}
    if visit.family is not None and (charge := seen_charge(blocks, typed, ended, visit.family)) is not None:
        visit.seen["charge"] = charge
    _keep(visit, "charge", TopUp, {"blocks": blocks, "time": ended} | typed)
    if not form.get("rest_h"):
        what = _("How long ago the charge ended is not said.")
        visit.problems.append(Problem("rest_h", what, _("Write the hours since then, as 0.5; 0 if it ended just now.")))
    if not form.get("rest_h") or "rest_h" in {problem.where for problem in visit.problems}:
        visit.facts.pop("charge", None)  # looked over with the others, but when it was is not known


def _read_readings(visit: Visit, form: Form, parts: tuple[str, str], at: datetime, apart: timedelta) -> None:
    """Read a visit's reading at rest and the one under load that follows it; the later of them was taken at `at`."""
    if visit.family is None:
        return
    # Damage counts, whether or not anybody dares to read the blocks.
    given = [p for p in parts if form.get(f"{p}_v") or form.get(f"{p}_inspected") == "damaged"]
    for part in parts:
        more = {name: form.get(f"{part}_{end}") for end, name in MORE.items() if form.get(f"{part}_{end}")}
        if part not in given and more:
            what = _("Temperature, current and a look are noted with a reading, and there is none.")
            visit.problems.append(Problem(f"{part}_v", what, _("Read all blocks and enter their volts.")))
    for place, part in enumerate(reversed(given)):
        _read_reading(visit, form, part, at - place * apart)
    for part in parts:
        if part not in given:
            _see(visit, form, part, at, [None] * visit.family.blocks)


def _read_reading(visit: Visit, form: Form, part: str, time: datetime) -> None:
    assert visit.family is not None
    way = form.get("way") if form.get("way") in WAYS else "block"
    try:
        whole = _volts(f"{part}_whole_v", form.number_or_text(f"{part}_whole_v"))
        typed = form.get(f"{part}_v")
        none: list[float | None] = [None] * visit.family.blocks
        volts = block_volts(f"{part}_v", typed, way, whole, visit.family) if typed else none  # type: ignore[arg-type]
    except BadInput as error:
        visit.problems += error.problems
        _see(visit, form, part, time, some_volts(form.get(f"{part}_v"), way, visit.family))
        return
    volts, said = in_volts(volts, visit.family)
    if said and said not in visit.notes:
        visit.notes.append(said)
    _see(visit, form, part, time, volts)
    more = {name: _read(visit, form.number_or_text, f"{part}_{end}") or None for end, name in MORE.items()}
    _keep(visit, part, BlockReading, {"time": time, "state": _state(part), "block_v": volts} | more)


def _state(part: str) -> State:
    return "discharge" if part.endswith("load") else "rest"


def _see(visit: Visit, form: Form, part: str, time: datetime, volts: Sequence[float | None]) -> None:
    assert visit.family is not None
    typed = {}
    for end, name in MORE.items():
        with suppress(BadInput):
            typed[name] = form.number_or_text(f"{part}_{end}") or None
    if (reading := seen_reading(volts, typed, time, _state(part), visit.family)) is not None:
        visit.seen[part] = reading


def _volts(where: str, text: str) -> float | None:
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        what = _("%(text)s is not a number.") % {"text": repr(text)}
        raise BadInput.one(where, what, _("Write volts, as 201.6.")) from None


def answer_to(
    request: Request,
    visit: Visit,
    known: Mapping[str, Any],
    model: CurrentModel,
    families: Mapping[str, PackFamily],
    now: datetime,
    corrected: Flag | None = None,
) -> dict[str, Any]:
    """Return what the answer beside the form says: the forecast, what stops the job, or what is still lacking."""
    told, history, stopped = Told(None), None, visit.stopped(known, now)
    try:
        history = visit.history(known)
        if stopped is None and history is not None and history.topups and history.ended is None:
            asked = ForecastRequest(at=moment_asked(history, now))
            threads = request.app.state.settings.threads
            settled = {"threads": threads, "now": now, "corrected": corrected, "explain": False}
            told = forecast_now(history, asked, model, families, **settled)
    except BadInput as error:
        told = Told(None, " ".join(f"{p.what} {p.mend}" for p in translated_problems(error.problems)))
    except (ValueError, Conflict) as error:
        told = Told(None, str(error))
    if stopped is not None:
        told = replace(told, stopped=stopped)
    forecast = told.forecast
    return {
        "told": told,
        "history": history,
        "missing": missing_of(history),
        "notes": visit.notes,
        "took": _took(visit),
        "promise": None if forecast is None else main_promise(forecast),
        "until": None if forecast is None else last_safe_day(forecast),
        "curve": curve_if_told(forecast, now, zone_of(request)),
        "driving": driving(),
    }


def _took(visit: Visit) -> list[tuple[str, datetime, str]]:
    """Say as of when each part was taken, and how many blocks were read; nothing before anything was typed."""
    if not visit.facts.keys() - {"return", "plan"}:
        return []
    words = {
        "return": _("The fault came back"),
        "before": _("Before the charge, at rest"),
        "before_load": _("Before the charge, under load"),
        "charge": _("End of the charge"),
        "after": _("After the charge, at rest"),
        "after_load": _("After the charge, under load"),
    }
    lines = []
    for part, said in words.items():
        if part not in visit.facts:
            continue
        volts = visit.facts[part].block_v if part in READ else []
        read = sum(v is not None for v in volts)
        some = _("%(read)s of %(blocks)s blocks read") % {"read": read, "blocks": len(volts)}
        lines.append((said, visit.facts[part].time, some if read < len(volts) else ""))
    return sorted(lines, key=lambda line: line[1])


def typed_problems(visit: Visit, form: Form, now: datetime) -> list[Problem]:
    """Return what is wrong or doubtful with what was typed so far, not with what is still to come."""
    return [one for one in (*visit.problems, *visit.doubts(now)) if form.get(one.where.partition("[")[0])]


def asked_for() -> dict[str, Any]:
    """Return what the templates of a visit need: its fields, and the number that lets it be stored once."""
    return {
        "ways": list(way_words().items()),
        "charge": {entry.name: entry for entry in entries("topup")},
        "plan": [entry for entry in entries("usage") if entry.name in PLAN],
        "back": {entry.name: entry for entry in entries("outcome")},
        "looks": list(inspected_words().items()),
        "once": once(),
    }
