"""The replacement plan, and the returns to expect, of a part of the fleet."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.base import counts
from models.base.arrays import Floats
from models.base.errors import BadInput, Problem
from models.base.percents import level_percent
from models.calibration.conformal import RISKS, told_hold
from models.decisions.fleet_costs import (
    NOT_PLANNED,
    WEEK_DAYS,
    FleetCosts,
    WeeklyReturns,
    weekly_returns,
)
from models.decisions.fleet_milp import LEAST_SAVING
from models.decisions.fleet_plan import NOT_ORDERED, FleetLimits, FleetPlan, plan_fleet
from models.decisions.hold_curves import HORIZON, extended_hold
from models.decisions.money import Money
from models.packs.family import PackFamily
from service.core.cautions import all_cautions, shared_chemistry
from service.core.translation import _, ngettext, translated
from service.decisions.basis.costs import costs_here
from service.decisions.basis.lead_times import OnOrder, on_order
from service.decisions.basis.left_out import not_counted
from service.decisions.basis.needs_pack import Down, down_said, long_down, needing_pack, orders_for
from service.decisions.basis.open_cases import OpenCase, decided_on, open_cases, open_curves
from service.decisions.basis.ordered import Ordered, PackOnOrder, ordered_for, ordered_said, state_of
from service.decisions.basis.sentences import SINCE_SEEN, WAITING_IN_A_PLAN, look_first_at
from service.decisions.fleet.caveats import MOST_NAMED, and_more, caveats
from service.decisions.fleet.parts import conditions_of, on_packs, pack_prices
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
from service.forecasting.issued.scores import not_weighed, still_out
from service.records.stopped import UnderStop
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
    needed = needing_pack(session, families, now, on_packs(asked))
    cases = open_cases(session, now, [*picked, ~not_weighed()], MOST_VEHICLES)
    to_look_at = open_cases(session, now, [*picked, not_weighed()], MOST_LEFT)
    warned = to_look_at.cases
    vehicles: list[UnderStop | Down | OpenCase] = [*needed, *cases.cases]
    orders = {
        **orders_for(session, needed, now),
        **on_order(session, cases.topped_at | to_look_at.topped_at, now),
    }
    states = {pack_id: state_of(order.arrived_at, now) for pack_id, order in orders.items()}
    own_from = np.array([_own_from(orders.get(one.pack_id), len(asked.slots)) for one in vehicles], dtype=np.int64)
    if not vehicles:
        raise BadInput([_nothing_to_plan(warned)])
    prices = pack_prices(session, (one.family for one in vehicles), asked.pack, costs, now)
    each_price = np.array([prices[one.family] for one in vehicles])
    to_buy = own_from == NOT_ORDERED
    _require_room(asked, float(each_price.min()) if to_buy.all() else None, costs.currency)
    standing = np.arange(len(vehicles)) < len(needed)
    weighed = COSTS_OF_PLANNING if not needed else (*COSTS_OF_PLANNING, "day_off_road")
    fleet_costs = FleetCosts(costs.currency, each_price, **costs.only(*weighed))
    budget = None if asked.budget is None else Money(asked.budget, costs.currency)
    survival, band_low, band_high = (
        np.concatenate([np.ones((len(needed), curves.shape[1])), curves])
        for curves in (cases.survival, cases.band_low, cases.band_high)
    )
    told = np.concatenate([np.tile(RISKS, (len(needed), 1)), cases.told])
    plan = plan_fleet(
        survival,
        fleet_costs,
        FleetLimits(asked.slots, asked.packs, budget),
        gap=asked.gap,
        time_limit_s=asked.time_limit_s,
        confidence=asked.confidence,
        band_low=band_low,
        band_high=band_high,
        told=told,
        standing=standing,
        own_from=own_from,
    )
    missed = _("Of what the best plan within the limits could save, at most %(share)s is missed.") % {
        "share": _(level_percent(math.ceil(1000 * plan.gap) / 1000))
    }
    notes = [missed if plan.gap > 1e-9 else _("No plan within the limits saves more."), costs.source]
    # Those whose forecast warns are told first, by name: they are no vehicles that a limit left out.
    weighed_ones = (still_out(), decided_on(now), ~not_weighed(), *picked)
    in_all = session.scalar(select(func.count()).select_from(Score).where(*weighed_ones)) or 0
    if in_all > len(cases):
        more = in_all - len(cases)
        said = ngettext(
            "Only the %(count)s vehicles whose good-for day comes first are planned; %(more)s more is left out. Plan "
            "a smaller part of the fleet to have it weighed.",
            "Only the %(count)s vehicles whose good-for day comes first are planned; %(more)s more are left out. Plan "
            "a smaller part of the fleet to have them weighed.",
            more,
        )
        notes.append(said % {"count": len(cases), "more": more})
    saving = plan.saving
    saves = np.where(plan.week == NOT_PLANNED, 0.0, saving[np.arange(len(vehicles)), plan.week])
    planned = plan.week != NOT_PLANNED
    last_day = len(asked.slots) * WEEK_DAYS
    back = 1 - told_hold(extended_hold(cases.survival, last_day, every=WEEK_DAYS), cases.told)[:, 1:]
    # Of one that is not driven no fault comes back.
    risk: list[list[float]] = [*([] for _one in needed), *back.tolist()]
    saved = plan.cost_without_plan - plan.expected_cost
    return FleetPlanAnswer(
        as_of=now,
        first=[
            *_replaced_first(needed),
            *ordered_said(
                [Ordered(one.pack_id, one.name, states[one.pack_id]) for one in vehicles if one.pack_id in states]
            ),
            *([] if (lost := long_down(session, now, on_packs(asked))) is None else [lost]),
            *caveats(session, picked, asked, now, [one.pack_id for one in needed]),
            *not_counted(session, picked, now),
            *_look_before_buying(warned),
        ],
        currency=costs.currency,
        costs=costs_used(costs, weighed),
        pack_prices=prices,
        vehicles=len(vehicles),
        planned=int(planned.sum()),
        expected_cost=plan.expected_cost,
        cost_without_plan=plan.cost_without_plan,
        least_cost=plan.least_cost,
        gap=plan.gap,
        solver=plan.solver,
        spent=float(each_price[planned & to_buy].sum()),
        budget=asked.budget,
        budget_value=None if asked.budget is None else _known(plan.budget_value),
        confidence=asked.confidence,
        weeks=_weeks(vehicles, asked, plan, saves, risk, states, now),
        left=[*_left_warned(warned, states), *_left(vehicles, plan, risk, orders, costs.currency, now)][:MOST_LEFT],
        sentence=ngettext(
            "Planned within %(weeks)s week: %(planned)s of %(count)s. That saves %(saved)s of %(cost)s "
            "expected if every pack is left until its fault returns.",
            "Planned within %(weeks)s weeks: %(planned)s of %(count)s. That saves %(saved)s of %(cost)s "
            "expected if every pack is left until its fault returns.",
            len(asked.slots),
        )
        % {
            "planned": int(planned.sum()),
            "count": _(counts.vehicles(len(vehicles))),
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
    """Count the returns to expect in each week if nothing is replaced before, of those that a plan weighs."""
    picked = conditions_of(asked)
    weighed = [*picked, ~not_weighed()]
    cases = open_curves(session, now, weighed)
    out_there = session.scalars(select(Score.family).where(still_out(), decided_on(now), *weighed).distinct()).all()
    last_day = asked.weeks * WEEK_DAYS
    assumptions = [_(SINCE_SEEN), _("Each vehicle is taken to fail by its own curve, whatever becomes of the others.")]
    if last_day > HORIZON:
        past = _("Past day %(day)s each day is taken to be as risky as the last one forecast, which is an assumption.")
        assumptions.append(past % {"day": HORIZON})
    if not len(cases):
        empty = np.zeros(asked.weeks)
        told = WeeklyReturns(empty, empty.astype(np.int64), empty.astype(np.int64), asked.confidence)
        said = _("No vehicle in this part of the fleet is out on a top-up with a forecast to go by.")
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
        first=[
            *down_said(session, now, on_packs(asked)),
            *ordered_said([*ordered_for(session, now, picked).values()]),
            *caveats(session, picked, asked, now),
            *not_counted(session, picked, now),
        ],
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


def _require_room(asked: PlanRequest, least_price: float | None, currency: str) -> None:
    """Refuse limits under which nothing can be planned; without a price some vehicle needs neither pack nor money."""
    found = []
    if not any(asked.slots):
        found.append(Problem("slots", _("holds no slot in any week."), _("Give at least one week a slot.")))
    unpacked = asked.packs is not None and len(asked.packs) == len(asked.slots) and not any(asked.packs)
    if least_price is not None and unpacked:
        found.append(Problem("packs", _("brings no pack in any week."), _("Give at least one, or leave packs out.")))
    if least_price is not None and asked.budget is not None and asked.budget < least_price:
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


def _nothing_to_plan(warned: Sequence[OpenCase]) -> Problem:
    if not warned:
        return Problem(
            "vehicles",
            _("No vehicle in this part of the fleet is out on a top-up with a forecast to go by."),
            _("Keep forecasts, or have the whole fleet forecast."),
        )
    what = _("All vehicles in this part of the fleet have to be looked at, or read, first: %(names)s.")
    named = ", ".join(case.name for case in warned[:MOST_NAMED])
    return Problem("vehicles", what % {"names": named}, _("Read them, keep new forecasts, and plan after that."))


def _replaced_first(needed: Sequence[UnderStop | Down]) -> list[str]:
    """Name the vehicles that wait for another pack whatever its curve."""
    if not needed:
        return []
    told = (
        (_("They are down with their fault back, so they take the first slots: %(vehicles)s."), Down),
        (_("Their packs have to be replaced whatever their curves, so they take the first slots: %(vehicles)s."),
         UnderStop),
    )  # fmt: skip
    found = [(said, [one.name for one in needed if isinstance(one, kind)]) for said, kind in told]
    return [said % {"vehicles": ", ".join(names[:MOST_NAMED]) + and_more(len(names))} for said, names in found if names]


def _look_before_buying(warned: Sequence[OpenCase]) -> list[str]:
    """Say for which vehicles no pack is to be bought before they are looked at, or read."""
    if not warned:
        return []
    said = _(
        "Read first, and plan again after that: %(vehicles)s. It may turn out that no other pack is needed, "
        "so neither slot nor pack is set aside."
    )
    return [said % {"vehicles": ", ".join(case.name for case in warned[:MOST_NAMED]) + and_more(len(warned))}]


def _own_from(order: OnOrder | None, weeks: int) -> int:
    """Return the week by the start of which a vehicle's own pack is expected, as in the calendar.

    One of which nobody knows when it comes is not in the plan.
    """
    if order is None:
        return NOT_ORDERED
    day = None if order.lead_time is None else order.lead_time.quantile(0.5)
    return weeks if day is None else -(-day // WEEK_DAYS)


def _left_warned(warned: Sequence[OpenCase], states: Mapping[str, PackOnOrder]) -> list[LeftVehicle]:
    """Say of each vehicle that must not be driven that it is read before anything is planned for it."""
    after = _("It gets a week once it was read and a new forecast is kept.")
    return [
        LeftVehicle(
            pack_id=case.pack_id,
            vehicle_id=case.vehicle_id,
            family=case.family,
            risk=[],
            would_save=None,
            reason=" ".join([*look_first_at(case), after]),
            pack_on_order=states.get(case.pack_id),
        )
        for case in warned
    ]


def _left(
    vehicles: Sequence[UnderStop | Down | OpenCase],
    plan: FleetPlan,
    risk: Sequence[list[float]],
    orders: Mapping[str, OnOrder],
    currency: str,
    now: datetime,
) -> list[LeftVehicle]:
    """Say of each vehicle without a week why: those that need a pack in any case, then those that would save most."""
    rows = np.flatnonzero(plan.week == NOT_PLANNED)
    best, week = plan.saving[rows].max(axis=1), plan.saving[rows].argmax(axis=1)
    left = []
    waits = np.array([not isinstance(vehicles[row], OpenCase) for row in rows.tolist()], dtype=bool)
    for place in np.lexsort((-best, ~waits))[:MOST_LEFT]:
        row = int(rows[place])
        would, case = float(best[place]), vehicles[row]
        words = {"cost": Money(abs(would), currency).whole(), "week": int(week[place]) + 1}
        order = orders.get(case.pack_id)
        if order is not None and _own_from(order, len(plan.slot_value)) >= len(plan.slot_value):
            said = _("The pack that is on order for it is not expected before the last week of the plan begins.")
        elif not isinstance(case, OpenCase):
            said = _(
                "Its pack has to be replaced whatever its curve, and no slot, pack or money is left for it: it stands "
                "until it is."
            )
        elif would > LEAST_SAVING:
            said = _("Would save %(cost)s in week %(week)s, but slots, packs or money go further with others.")
        else:
            said = _saves_nothing(case, now)
        left.append(
            LeftVehicle(
                pack_id=case.pack_id,
                vehicle_id=case.vehicle_id,
                family=case.family,
                risk=risk[row],
                would_save=would,
                reason=said % words,
                pack_on_order=None if order is None else state_of(order.arrived_at, now),
            )
        )
    return left


def _saves_nothing(case: OpenCase, now: datetime) -> str:
    """Say that no planned week saves anything, without calling it cheap to drive on where nothing is promised."""
    if case.good_until <= now:
        return _(
            "Not one more day of it can be promised: read all its blocks before it drives on. By the costs stated "
            "replacing it in week %(week)s would cost %(cost)s more than at its return."
        )
    return _(
        "Waiting for its return costs less: replacing it as planned would cost %(cost)s more. That is by costs alone; "
        "the order queue says until when its pack keeps to the chosen risk."
    )


def _weeks(
    vehicles: Sequence[UnderStop | Down | OpenCase],
    asked: PlanRequest,
    plan: FleetPlan,
    saves: Floats,
    risk: Sequence[list[float]],
    states: Mapping[str, PackOnOrder],
    now: datetime,
) -> list[PlannedWeek]:
    weeks = []
    for week, slots in enumerate(asked.slots):
        rows = np.flatnonzero(plan.week == week)
        rows = rows[
            np.lexsort((-saves[rows], np.array([isinstance(vehicles[row], OpenCase) for row in rows.tolist()])))
        ]
        planned = [
            PlannedVehicle(
                pack_id=vehicles[row].pack_id,
                vehicle_id=vehicles[row].vehicle_id,
                family=vehicles[row].family,
                needs_pack=not isinstance(vehicles[row], OpenCase),
                saves=float(saves[row]),
                risk=risk[row],
                pack_on_order=states.get(vehicles[row].pack_id),
            )
            for row in rows.tolist()
        ]
        weeks.append(
            PlannedWeek(
                **_week(plan.returns, week, now),
                slots=slots,
                packs_arriving=None if asked.packs is None else asked.packs[week],
                slot_value=_known(float(plan.slot_value[week])),
                pack_value=None if asked.packs is None else _known(float(plan.pack_value[week])),
                planned=planned,
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
