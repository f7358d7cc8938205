"""A replacement plan to play with, and the returns to expect."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode

from fastapi import Request
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from models.decisions.fleet_costs import MAX_WEEKS
from service.core.cautions import driving
from service.core.translation import _
from service.decisions.fleet.planning import plan_of_fleet, returns_of_fleet
from service.decisions.fleet.schemas import FleetPlanAnswer, PlanRequest, ReturnsAnswer, ReturnsRequest, WeekOfReturns
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.asking import cost_words, date_in_words, given, money, question, stated_first, unweighed, whole_money
from service.pages.drawing import STRIP, WIDTH, Spot, round_ticks, scale
from service.pages.fleet.plan_drawing import plan_drawing
from service.pages.fleet.ranking import PART, part_choices
from service.pages.forms import Faults, page_router
from service.pages.rendering import render
from service.pages.spreadsheet import csv_file

PLAN_FIELDS: Final = ("slots", "weeks", "packs", "budget", "pack", *PART)
TIME_LIMIT_S: Final = 5.0
"""A page is waited for: the solver gets less time than over REST, and the gap it leaves is told."""

USUAL_WEEKS: Final = 8

SHOWN: Final = 6
"""Vehicles without a week that stand open; the others are folded. Our choice."""

router = page_router()


def plan_asked(texts: dict[str, str]) -> PlanRequest:
    """Read the plan's limits: one number for every week, or one for each, parted by commas or blanks."""
    problems = []
    written = texts.get("weeks", str(USUAL_WEEKS))
    weeks = int(written) if written.isdecimal() and 0 < int(written[:4]) <= MAX_WEEKS else USUAL_WEEKS
    if str(weeks) != written.lstrip("0"):
        what = _("%(text)s is no number of weeks.") % {"text": written}
        problems.append(Problem("weeks", what, _("Write a whole number from 1 to %(most)s.") % {"most": MAX_WEEKS}))
    asked: dict[str, Any] = {name: text for name, text in texts.items() if name not in {"slots", "weeks", "packs"}}
    for name in ("slots", "packs"):
        parts = texts.get(name, "").replace(",", " ").split()
        if wrong := [part for part in parts if not part.isdecimal()]:
            what = _("%(texts)s is not a whole number.") % {"texts": ", ".join(dict.fromkeys(wrong))}
            problems.append(Problem(name, what, _("Write one number for all weeks, or one for each: 2, 2, 0, 3.")))
        elif parts:
            asked[name] = parts * weeks if len(parts) == 1 else parts
    if problems:
        raise BadInput(problems)
    return question(PlanRequest, {**asked, "time_limit_s": TIME_LIMIT_S})


@router.get("/fleet/plan", operation_id="page_plan")
def show_plan(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Ask for slots, packs and a budget, and show the plan week by week."""
    texts = given(request, *PLAN_FIELDS)
    plan: FleetPlanAnswer | None = None
    problems: tuple[Problem, ...] = ()
    with store.reading() as session:
        choices = {name: part_choices(session, name) for name in PART}
        if texts.get("slots"):
            try:
                plan = plan_of_fleet(session, plan_asked(texts), request.app.state.clock(), families)
            except BadInput as error:
                problems = error.problems
        left = unweighed(session, request.app.state.clock(), old_too=plan is None)
    missing = stated_first(problems)
    faults = Faults(tuple(problem for problem in problems if problem not in missing))
    return render(
        request,
        "fleet/plan.html",
        status=422 if faults else 200,
        plan=plan,
        choices=choices,
        unweighed=left,
        values={**dict.fromkeys(PLAN_FIELDS, ""), "weeks": str(USUAL_WEEKS), **texts},
        given=texts,
        faults=faults,
        missing=missing,
        question=urlencode(texts),
        amount=whole_money,
        money=money,
        cost_words=cost_words,
        date_in_words=date_in_words,
        drawing=None if plan is None else drawing_of(plan.weeks),
        grid=None if plan is None else plan_drawing(plan),
        shown=SHOWN,
        cautions=driving(),
    )


@router.get("/fleet/plan.csv", operation_id="page_plan_file")
def read_plan_file(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Send the plan as a file for a spreadsheet."""
    with store.reading() as session:
        plan = plan_of_fleet(session, plan_asked(given(request, *PLAN_FIELDS)), request.app.state.clock(), families)
    rows = (
        (
            week.week,
            week.starts_on,
            one.vehicle_id,
            one.pack_id,
            one.family,
            one.pack_on_order,
            round(one.saves, 2),
            plan.currency,
        )
        for week in plan.weeks
        for one in week.planned
    )
    return csv_file(
        "plan", ("week", "starts_on", "vehicle_id", "pack_id", "family", "pack_on_order", "saves", "currency"), rows
    )


@router.get("/fleet/returns", operation_id="page_returns")
def show_returns(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Show how many returns to expect in each week if nothing is replaced before."""
    texts = given(request, "weeks", *PART)
    answer: ReturnsAnswer | None = None
    faults = Faults()
    with store.reading() as session:
        choices = {name: part_choices(session, name) for name in PART}
        try:
            answer = returns_of_fleet(session, question(ReturnsRequest, texts), request.app.state.clock(), families)
        except BadInput as error:
            faults = Faults(error.problems)
        left = unweighed(session, request.app.state.clock(), old_too=answer is None)
    return render(
        request,
        "fleet/returns.html",
        status=422 if faults else 200,
        answer=answer,
        choices=choices,
        unweighed=left,
        values={**dict.fromkeys(PART, ""), "weeks": str(USUAL_WEEKS), **texts},
        faults=faults,
        question=urlencode(texts),
        date_in_words=date_in_words,
        drawing=None if answer is None or not answer.vehicles else drawing_of(answer.weeks),
        cautions=driving(),
    )


@router.get("/fleet/returns.csv", operation_id="page_returns_file")
def read_returns_file(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Send the returns to expect as a file for a spreadsheet."""
    asked = question(ReturnsRequest, given(request, "weeks", *PART))
    with store.reading() as session:
        answer = returns_of_fleet(session, asked, request.app.state.clock(), families)
    rows = ((week.week, week.starts_on, round(week.mean, 3), week.low, week.high) for week in answer.weeks)
    return csv_file("returns", ("week", "starts_on", "expected", "low", "high"), rows)


@dataclass(frozen=True)
class Bar:
    """One week: its bar, the span of nine in ten, and its name."""

    x: float
    width: float
    y: float
    height: float
    middle: float
    low_y: float
    high_y: float
    name: str
    spot: Spot


@dataclass(frozen=True)
class ReturnsDrawing:
    """Returns by week."""

    bars: list[Bar]
    counts: list[tuple[float, str]]
    left: float = 40.0
    right: float = 394.0
    top: float = STRIP + 10
    bottom: float = STRIP + 198
    height: float = STRIP + 248
    width: float = WIDTH


def drawing_of(weeks: Sequence[WeekOfReturns]) -> ReturnsDrawing:
    """Lay out the bars of the weeks."""
    blank = ReturnsDrawing([], [])
    most = math.ceil(max(2.0, *(max(week.high, week.mean) for week in weeks), 0.0))
    ticks = [tick for tick in round_ticks(0.0, most, 6) if tick.is_integer()]
    place = (blank.right - blank.left) / len(weeks)

    y = scale(0, ticks[-1], blank.bottom, blank.top)
    bars = [
        Bar(
            x=round(blank.left + place * (number + 0.2), 1),
            width=round(place * 0.6, 1),
            y=y(week.mean),
            height=round(blank.bottom - y(week.mean), 1),
            middle=round(blank.left + place * (number + 0.5), 1),
            low_y=y(week.low),
            high_y=y(week.high),
            name=str(week.week) if len(weeks) <= 9 or week.week % 3 == 1 else "",
            spot=Spot(
                round(blank.left + place * number, 1),
                blank.top,
                round(place, 1),
                blank.bottom - blank.top,
                (
                    _("Week %(week)s, from %(day)s") % {"week": week.week, "day": date_in_words(week.starts_on)},
                    _("about %(mean)s, between %(low)s and %(high)s in nine of ten")
                    % {"mean": f"{week.mean:.0f}", "low": week.low, "high": week.high},
                ),
            ),
        )
        for number, week in enumerate(weeks)
    ]
    return ReturnsDrawing(bars, [(y(count), f"{count:g}") for count in ticks])
