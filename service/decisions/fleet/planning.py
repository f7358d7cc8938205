"""The replacement plan, and the returns to expect, of a part of the fleet."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.base import counts
from models.base.arrays import Bools, Floats
from models.base.errors import BadInput, Problem
from models.base.percents import level_percent
from models.calibration.conformal import told_hold
from models.decisions.fleet_costs import (
    NOT_PLANNED,
    WEEK_DAYS,
    FleetCosts,
    WeeklyReturns,
    replacement_costs,
    weekly_returns,
)
from models.decisions.fleet_milp import LEAST_SAVING
from models.decisions.fleet_plan import FleetLimits, FleetPlan, plan_fleet
from models.decisions.hold_curves import HORIZON, extended_hold
from models.decisions.money import Money
from models.packs.family import PackFamily
from service.core.cautions import all_cautions, shared_chemistry
from service.core.translation import _, ngettext, translated
from service.decisions.basis.costs import costs_here
from service.decisions.basis.open_cases import OpenCase, OpenCases, decided_on, open_cases, open_curves
from service.decisions.basis.sentences import SINCE_SEEN, WAITING_IN_A_PLAN, look_first_at
from service.decisions.fleet.caveats import caveats
from service.decisions.fleet.parts import conditions_of, pack_prices
from service.decisions.fleet.schemas import (
    FleetPlanAnswer,
    LeftVehicle,
    PlannedVehicle,
    PlannedWeek,
    PlanRequest,
    ReturnsAnswer,
    ReturnsRequest,
    WeekOfReturns,
)
from service.decisions.ordering.answers import costs_used
from service.forecasting.issued.scores import ended
from service.store.schema import Score

MOST_VEHICLES: Final = 5_000
"""Vehicles planned at once, those whose good-for day comes first: the size for which the time limit was measured."""

MOST_LEFT: Final = 200
"""Vehicles without a week that are named."""

COSTS_OF_PLANNING: Final = ("planned_work", "return_work", "capital_per_day", "return_value", "stranding")


def plan_of_fleet(
    session: Session, asked: PlanRequest, now: datetime, families: Mapping[str, PackFamily]
) -> FleetPlanAnswer:
    """Plan the replacements of a part of the fleet; week 1 starts today.

    Raises
    ------
    BadInput
        A cost is missing, there is no vehicle to plan, or the limits leave no room; with what would make it possible.
    """
    costs = costs_here(session, asked.costs)
    picked = conditions_of(asked)
    cases = open_cases(session, now, picked, MOST_VEHICLES)
    if not len(cases):
        raise BadInput.one(
            "vehicles",
            _("No vehicle in this part of the fleet is out on a top-up with a recent forecast."),
            _("Issue forecasts, or have the fleet scored."),
        )
    prices = pack_prices(session, (case.family for case in cases.cases), asked.pack, costs.currency, now)
    each_price = np.array([prices[case.family] for case in cases.cases])
    _require_room(asked, float(each_price.min()), costs.currency)
    standing = np.array([case.grave for case in cases.cases])
    weighed = COSTS_OF_PLANNING if not standing.any() else (*COSTS_OF_PLANNING, "day_off_road")
    fleet_costs = FleetCosts(costs.currency, each_price, **costs.only(*weighed))
    budget = None if asked.budget is None else Money(asked.budget, costs.currency)
    plan = plan_fleet(
        cases.survival,
        fleet_costs,
        FleetLimits(asked.slots, asked.packs, budget),
        gap=asked.gap,
        time_limit_s=asked.time_limit_s,
        confidence=asked.confidence,
        band_low=cases.band_low,
        band_high=cases.band_high,
        told=cases.told,
        standing=standing,
    )
    missed = _("Of what the best plan within the limits could save, at most %(share)s is missed.") % {
        "share": _(level_percent(math.ceil(1000 * plan.gap) / 1000))
    }
    notes = [missed if plan.gap > 1e-9 else _("No plan within the limits saves more."), costs.source]
    in_all = session.scalar(select(func.count()).select_from(Score).where(~ended(), decided_on(now), *picked)) or 0
    if in_all > len(cases):
        notes.append(
            _(
                "Only the %(count)s vehicles whose good-for day comes first are planned; %(more)s more are "
                "left until their fault returns. Choose a site, a duty or a family to plan those."
            )
            % {"count": len(cases), "more": in_all - len(cases)}
        )
    saving = _savings(cases.survival, fleet_costs, plan, standing)
    saves = np.where(plan.week == NOT_PLANNED, 0.0, saving[np.arange(len(cases)), plan.week])
    planned = plan.week != NOT_PLANNED
    last_day = len(asked.slots) * WEEK_DAYS
    risk = 1 - told_hold(extended_hold(cases.survival, last_day, every=WEEK_DAYS), cases.told)[:, 1:]
    saved = plan.cost_without_plan - plan.expected_cost
    return FleetPlanAnswer(
        as_of=now,
        first=[*caveats(session, picked, asked.family, now), *_look_before_buying(cases, planned)],
        currency=costs.currency,
        costs=costs_used(costs, weighed),
        pack_prices=prices,
        vehicles=len(cases),
        planned=int(planned.sum()),
        expected_cost=plan.expected_cost,
        cost_without_plan=plan.cost_without_plan,
        least_cost=plan.least_cost,
        gap=plan.gap,
        solver=plan.solver,
        spent=float(each_price[planned].sum()),
        budget=asked.budget,
        budget_value=None if asked.budget is None else _known(plan.budget_value),
        confidence=asked.confidence,
        weeks=_weeks(cases, asked, plan, saves, risk, now),
        left=_left(cases, plan, saving, risk, costs.currency, now),
        sentence=ngettext(
            "Planned within %(weeks)s week: %(planned)s of %(count)s. That saves %(saved)s of %(cost)s "
            "expected if every pack is left until its fault returns.",
            "Planned within %(weeks)s weeks: %(planned)s of %(count)s. That saves %(saved)s of %(cost)s "
            "expected if every pack is left until its fault returns.",
            len(asked.slots),
        )
        % {
            "planned": int(planned.sum()),
            "count": _(counts.vehicles(len(cases))),
            "weeks": len(asked.slots),
            "saved": Money(saved, costs.currency).whole(),
            "cost": Money(plan.cost_without_plan, costs.currency).whole(),
        },
        assumptions=[*translated(plan.assumptions), _(SINCE_SEEN), _(WAITING_IN_A_PLAN)],
        notes=notes,
        cautions=all_cautions(shared_chemistry(families, prices)),
    )


def returns_of_fleet(
    session: Session, asked: ReturnsRequest, now: datetime, families: Mapping[str, PackFamily]
) -> ReturnsAnswer:
    """Count the returns to expect in each week if nothing is replaced before."""
    picked = conditions_of(asked)
    cases = open_curves(session, now, picked)
    out_there = session.scalars(select(Score.family).where(~ended(), decided_on(now), *picked).distinct()).all()
    last_day = asked.weeks * WEEK_DAYS
    assumptions = [_(SINCE_SEEN), _("Vehicles are taken to fail independently, each by its own curve.")]
    if last_day > HORIZON:
        past = _("Past day %(day)s each day is taken to be as risky as the last one forecast, which is an assumption.")
        assumptions.append(past % {"day": HORIZON})
    if not len(cases):
        empty = np.zeros(asked.weeks)
        told = WeeklyReturns(empty, empty.astype(np.int64), empty.astype(np.int64), asked.confidence)
        said = _("No vehicle is out on a top-up with a forecast in this part of the fleet.")
    else:
        hold, low, high = (
            told_hold(extended_hold(curves, last_day, every=WEEK_DAYS), cases.told())
            for curves in (cases.survival(), *cases.band())
        )
        nothing = np.full(len(cases), NOT_PLANNED, dtype=np.int64)
        told = weekly_returns(hold, nothing, asked.confidence, low, high)
        said = ngettext(
            "Of %(count)s, back within a week: %(first)s (%(low)s to %(high)s); within %(weeks)s week: %(all)s, if "
            "none is replaced before.",
            "Of %(count)s, back within a week: %(first)s (%(low)s to %(high)s); within %(weeks)s weeks: %(all)s, if "
            "none is replaced before.",
            asked.weeks,
        ) % {
            "count": _(counts.vehicles(len(cases))),
            "first": about(float(told.mean[0])),
            "low": told.low[0],
            "high": told.high[0],
            "all": about(float(told.mean.sum())),
            "weeks": asked.weeks,
        }
    return ReturnsAnswer(
        as_of=now,
        first=caveats(session, picked, asked.family, now),
        vehicles=len(cases),
        confidence=asked.confidence,
        weeks=[WeekOfReturns(**_week(told, week, now)) for week in range(asked.weeks)],
        sentence=said,
        assumptions=assumptions,
        cautions=all_cautions(shared_chemistry(families, out_there)),
    )


def about(count: float) -> str:
    """Write an expected count without tenths."""
    return _("about %(count)s") % {"count": f"{count:.0f}"} if count >= 0.5 else _("fewer than one")


def _require_room(asked: PlanRequest, least_price: float, currency: str) -> None:
    found = []
    if not any(asked.slots):
        found.append(Problem("slots", _("holds no slot in any week."), _("Give at least one week a slot.")))
    if asked.packs is not None and len(asked.packs) == len(asked.slots) and not any(asked.packs):
        found.append(Problem("packs", _("brings no pack in any week."), _("Give at least one, or leave packs out.")))
    if asked.budget is not None and asked.budget < least_price:
        found.append(
            Problem(
                "budget",
                _("%(budget)s buys no pack: the cheapest costs %(price)s.")
                % {"budget": Money(asked.budget, currency), "price": Money(least_price, currency)},
                _("Raise it to at least %(price)s, or leave it out.") % {"price": Money(least_price, currency)},
            )
        )
    if found:
        raise BadInput(found)


def _look_before_buying(cases: OpenCases, planned: Bools) -> list[str]:
    """Say of which planned vehicles no pack is to be bought before what their forecasts warn of is looked at."""
    names = [case.name for case, chosen in zip(cases.cases, planned, strict=True) if chosen and case.grave]
    if not names:
        return []
    said = _(
        "Read first, and plan again after that, before a pack is bought for %(vehicles)s: a week is held there only "
        "because a forecast warns, and what it warns of may be no reason for another pack."
    )
    return [said % {"vehicles": ", ".join(names)}]


def _savings(survival: Floats, costs: FleetCosts, plan: FleetPlan, standing: Bools) -> Floats:
    """Return what each vehicle would save in each week, shape (n, W)."""
    weeks = len(plan.slot_value)
    hold = extended_hold(survival, weeks * WEEK_DAYS)
    cost = replacement_costs(hold, costs.checked(len(survival), standing), standing)
    return np.asarray(cost[:, -1:] - cost[:, :-1], dtype=np.float64)


def _left(
    cases: OpenCases, plan: FleetPlan, saving: Floats, risk: Floats, currency: str, now: datetime
) -> list[LeftVehicle]:
    """Say of each vehicle without a week why: those that must not be driven, then those that would save most."""
    rows = np.flatnonzero(plan.week == NOT_PLANNED)
    best, week = saving[rows].max(axis=1), saving[rows].argmax(axis=1)
    left = []
    grave = np.array([cases.cases[row].grave for row in rows], dtype=bool)
    for place in np.lexsort((-best, ~grave))[:MOST_LEFT]:
        would, case = float(best[place]), cases.cases[rows[place]]
        words = {"cost": Money(abs(would), currency).whole(), "week": int(week[place]) + 1}
        said = (
            _("Would save %(cost)s in week %(week)s, but slots, packs or money go further with others.")
            if would > LEAST_SAVING
            else _saves_nothing(case, now)
        )
        left.append(
            LeftVehicle(
                pack_id=case.pack_id,
                vehicle_id=case.vehicle_id,
                family=case.family,
                risk=risk[rows[place]].tolist(),
                would_save=would,
                reason=" ".join([*look_first_at(case), said % words]),
            )
        )
    return left


def _saves_nothing(case: OpenCase, now: datetime) -> str:
    """Say that no planned week saves anything, without calling it cheap to drive on where nothing is promised."""
    if case.grave:
        return _("It stands until its pack is replaced, and by the costs stated no week of the plan is better for it.")
    if case.good_until <= now:
        return _(
            "Not one more day of it can be promised: read all its blocks before it drives on. By the costs stated "
            "replacing it in week %(week)s would cost %(cost)s more than at its return."
        )
    return _("Waiting for its return costs less: replacing it as planned would cost %(cost)s more.")


def _weeks(
    cases: OpenCases, asked: PlanRequest, plan: FleetPlan, saves: Floats, risk: Floats, now: datetime
) -> list[PlannedWeek]:
    weeks = []
    for week, slots in enumerate(asked.slots):
        rows = np.flatnonzero(plan.week == week)
        rows = rows[np.argsort(-saves[rows], kind="stable")]
        vehicles = [
            PlannedVehicle(
                pack_id=cases.cases[row].pack_id,
                vehicle_id=cases.cases[row].vehicle_id,
                family=cases.cases[row].family,
                saves=float(saves[row]),
                risk=risk[row].tolist(),
            )
            for row in rows
        ]
        weeks.append(
            PlannedWeek(
                **_week(plan.returns, week, now),
                slots=slots,
                packs_arriving=None if asked.packs is None else asked.packs[week],
                slot_value=_known(float(plan.slot_value[week])),
                pack_value=None if asked.packs is None else _known(float(plan.pack_value[week])),
                planned=vehicles,
            )
        )
    return weeks


def _week(told: WeeklyReturns, week: int, now: datetime) -> dict[str, object]:
    return {
        "week": week + 1,
        "starts_on": now.date() + timedelta(days=week * WEEK_DAYS),
        "mean": float(told.mean[week]),
        "low": int(told.low[week]),
        "high": int(told.high[week]),
    }


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
