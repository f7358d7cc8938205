"""Pages that go on from a unit's forecast: what if, when to read again, how to top up, the way to the replacement."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Generic, TypeVar

from fastapi import Request
from pydantic import BaseModel
from starlette.responses import Response

from models.base.errors import BadInput, ModelRefused, OutOfReach, Problem
from models.interventions.plans import USUAL_PLANS
from models.packs.stops import Stopped
from service.core.refusals import Conflict
from service.core.stops import ToldStops
from service.core.translation import _
from service.decisions.release.answers import release_of_pack
from service.decisions.release.schemas import ReleaseRequest
from service.forecasting.forecasts.cases import case_of_pack, require_unstopped
from service.forecasting.recheck import answers as recheck
from service.forecasting.recheck.schemas import RecheckCase, RecheckRequest
from service.forecasting.topup_plan import answers as topup_plan
from service.forecasting.topup_plan.schemas import TopUpPlanCase, TopUpPlanRequest
from service.forecasting.what_if import answers as what_if
from service.forecasting.what_if.schemas import OtherPlan, WhatIfCase, WhatIfRequest
from service.http.dependencies import CurrentStore, KnownFamilies, Models
from service.pages.asking import share_of_100
from service.pages.bench.gains import gains_of
from service.pages.bench.given_out import given_out
from service.pages.bench.ladder import ladder_of
from service.pages.bench.recheck_words import recheck_row
from service.pages.bench.state_of_unit import Unit, is_fresh, moment_asked, unit_of
from service.pages.bench.unit import UnitName
from service.pages.bench.units import unit_address
from service.pages.forms import NO_FAULTS, Faults, checked, page_router, plain_numbers
from service.pages.rendering import render

router = page_router()

Answer = TypeVar("Answer", bound=BaseModel)
PER_CENT: Final = ("km_share", "trips_share")

RISKS: Final = ("5", "10", "20")
"""In 100, that the recheck's form offers. Our choice, around the usual 10."""


@dataclass(frozen=True)
class Asked(Generic[Answer]):
    """What came of a question: its answer, what is wrong with it, why there is none, or that it was not asked yet."""

    answer: Answer | None = None
    faults: Faults = NO_FAULTS
    refused: str = ""
    stopped: ToldStops | None = None
    to_fill_in: bool = False

    @property
    def status(self) -> int:
        """Of the page."""
        if self.answer is not None or self.to_fill_in:
            return 200
        return 422 if self.stopped is None else 409


def ask(question: Callable[[], Answer]) -> Asked[Answer]:
    """Ask, and keep what stands in the way for the page to tell."""
    try:
        return Asked(question())
    except Stopped as error:
        return Asked(stopped=ToldStops.of(error))
    except BadInput as error:
        return Asked(faults=Faults(tuple(error.problems)))
    except ModelRefused as error:
        return Asked(refused=error.said)
    except (OutOfReach, Conflict) as error:
        return Asked(refused=str(error))


def _values(request: Request, *names: str) -> dict[str, str]:
    """Return what was asked for by name, without what was left empty."""
    given = {name: request.query_params.get(name, "").strip() for name in names}
    return {name: text for name, text in given.items() if text}


def _numbers(values: dict[str, str]) -> dict[str, Any]:
    return dict(plain_numbers(values))


def _page(request: Request, name: str, unit: Unit, values: dict[str, str], asked: Asked[Any], **more: Any) -> Response:
    return render(
        request,
        f"bench/{name}.html",
        status=asked.status,
        unit=unit,
        values=values,
        faults=asked.faults,
        refused=asked.refused,
        stopped=asked.stopped,
        answer=asked.answer,
        address=unit_address(unit.pack.id),
        **more,
    )


@router.get("/bench/units/{pack_id}/what-if", operation_id="page_what_if")
def show_what_if(
    pack_id: UnitName, request: Request, store: CurrentStore, models: Models, families: KnownFamilies
) -> Response:
    """Show how long the top-up would hold if the vehicle were used otherwise, or more were done to the pack."""
    values = _values(request, *PER_CENT, "cooler_k", "start_after_days")
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)

    def question() -> Any:
        at = None if unit.history is None else moment_asked(unit.history, request.app.state.clock(), unit.kept)
        plans = _plans(_numbers(values))
        with store.reading() as session:
            case = case_of_pack(session, pack_id, WhatIfRequest(at=at, plans=plans), WhatIfCase)
        require_unstopped(case, families)
        settings, now = request.app.state.settings, request.app.state.clock()
        return what_if.answer(case, models.current().model, families, threads=settings.threads, now=now)

    asked = ask(question)
    gains = None if asked.answer is None or not asked.answer.plans else gains_of(asked.answer)
    return _page(request, "what_if", unit, values, asked, gains=gains)


def _plans(given: dict[str, Any]) -> tuple[OtherPlan, ...] | None:
    """Return the usual plans with the one that was entered in front of them; None if none was."""
    if not given:
        return None
    for name in PER_CENT:
        if name in given:
            try:
                given[name] = float(given[name]) / 100
            except ValueError:
                what = _("%(text)s is not a number.") % {"text": repr(given[name])}
                raise BadInput.one(name, what, _("Give per cent of the present plan, as 50.")) from None
    own = checked(OtherPlan, {**given, "name": _("as you entered")})
    return (own, *(OtherPlan.of(plan) for plan in USUAL_PLANS))


@router.get("/bench/units/{pack_id}/recheck", operation_id="page_recheck")
def show_recheck(
    pack_id: UnitName, request: Request, store: CurrentStore, models: Models, families: KnownFamilies
) -> Response:
    """Show when to read again, and what the reading will then mean."""
    values = {"risk": "10", **_values(request, "risk")}
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)

    def question() -> Any:
        at = None if unit.history is None else moment_asked(unit.history, request.app.state.clock(), unit.kept)
        wanted = checked(RecheckRequest, {"at": at, **share_of_100(values, "risk")})
        with store.reading() as session:
            case = case_of_pack(session, pack_id, wanted, RecheckCase)
        require_unstopped(case, families)
        settings, now = request.app.state.settings, request.app.state.clock()
        return recheck.answer(case, models.current().model, families, threads=settings.threads, now=now)

    asked = ask(question)
    rows = [] if asked.answer is None else [recheck_row(row) for row in asked.answer.table]
    ladder = None if asked.answer is None else ladder_of(asked.answer)
    offered = RISKS if values["risk"] in RISKS or asked.answer is None else (*RISKS, values["risk"])
    risks = [(text, _("%(count)s in 100") % {"count": text}) for text in offered]
    days = given_out(request, unit)
    return _page(request, "recheck", unit, values, asked, rows=rows, ladder=ladder, risks=risks, given_out=days)


@router.get("/bench/units/{pack_id}/topup-plan", operation_id="page_topup_plan")
def show_topup_plan(
    pack_id: UnitName, request: Request, store: CurrentStore, models: Models, families: KnownFamilies
) -> Response:
    """Show how much charge the weak block lacks, how to put it in, where to stop, and what it buys."""
    values = _values(request, "block", "ambient_c")
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)

    def question() -> Any:
        wanted = checked(TopUpPlanRequest, _numbers(values))
        with store.reading() as session:
            case = case_of_pack(session, pack_id, wanted, TopUpPlanCase)
        require_unstopped(case, families, charging=True, ambient_c=case.ambient_c)
        settings, now = request.app.state.settings, request.app.state.clock()
        return topup_plan.answer(case, models.current().model, families, threads=settings.threads, now=now)

    read_on = _newest_reading(unit)
    old = read_on is not None and not is_fresh(read_on, request.app.state.clock())
    return _page(request, "topup_plan", unit, values, ask(question), read_on=read_on if old else None)


def _newest_reading(unit: Unit) -> datetime | None:
    readings = () if unit.history is None else unit.history.readings
    return readings[-1].time if readings else None


@router.get("/bench/units/{pack_id}/way", operation_id="page_way")
def show_way(pack_id: UnitName, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Show how likely the pack holds until its replacement comes, and what to tell the owner."""
    values = _values(request, "promised", "in_days", "km_per_day")
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)

    def question() -> Any:
        wanted = checked(ReleaseRequest, _numbers(values))
        with store.reading() as session:
            return release_of_pack(session, pack_id, wanted, request.app.state.clock(), families)

    asked = ask(question)
    # That no day is known is no fault of somebody who has typed nothing yet: the form asks for it.
    nothing_typed = not values and {p.where for p in asked.faults.problems} == {"arrival"}
    if nothing_typed:
        asked = Asked(to_fill_in=True)
    return _page(request, "way", unit, values, Asked(faults=_at_the_day(asked.faults)) if asked.faults else asked)


def _at_the_day(faults: Faults) -> Faults:
    """Let what is wrong with the arrival stand at the field for its day, in the words of the form."""
    mend = _("Give the day it is promised for, or in how many days it comes.")
    return Faults(tuple(Problem("promised", p.what, mend) if p.where == "arrival" else p for p in faults.problems))
