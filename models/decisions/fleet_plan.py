"""Which pack to replace in which week under workshop slots, packs and a budget."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from models.base.arrays import Bools, Floats, Integers
from models.base.errors import BadInput, Problem
from models.base.messages import say
from models.calibration.conformal import told_hold
from models.decisions.fleet_costs import (
    MAX_WEEKS,
    NOT_PLANNED,
    WEEK_DAYS,
    FleetCosts,
    WeeklyReturns,
    replacement_costs,
    weekly_returns,
)
from models.decisions.fleet_milp import LEAST_SAVING, Programme, Solver, solve
from models.decisions.hold_curves import HORIZON, extended_hold
from models.decisions.money import Money, one_currency

_ALWAYS: Final = (
    say("Slots, packs and budget are those set aside for planned work; packs that return take others."),
    say("A vehicle whose fault returns before its week is replaced at its return."),
    say("Each vehicle is taken to fail by its own curve, whatever becomes of the others."),
)

_STANDING: Final = say(
    "A vehicle whose pack has to be replaced whatever its curve stands until then: it takes the first slot, whatever "
    "others would save there."
)


NOT_ORDERED: Final = -1
"""In place of a week: no pack was ordered for the vehicle yet."""


@dataclass(frozen=True, eq=False)
class FleetLimits:
    """What planned replacements have to keep to.

    Attributes
    ----------
    slots : array-like of int, shape (W,)
        Workshop slots for planned replacements in each week; their number sets the length of the plan.
    packs : array-like of int, shape (W,), optional
        Packs that arrive for the start of each week; those left over stay for later. None if they are no limit.
    budget : Money, optional
        For the packs of all planned replacements together, kept to within 3e-5 of the mean price of a pack. None if
        it is no limit.
    """

    slots: ArrayLike
    packs: ArrayLike | None = None
    budget: Money | None = None


@dataclass(frozen=True, eq=False)
class FleetPlan:
    """A replacement plan for n vehicles over W weeks.

    Attributes
    ----------
    week : array of int, shape (n,)
        Week of each vehicle, from 0, or `NOT_PLANNED`.
    expected_cost : float
        Of the whole fleet to the end of the plan.
    cost_without_plan : float
        The same if every vehicle is left until its fault returns.
    least_cost : float
        No plan within the limits can cost less.
    gap : float
        Share of the greatest possible saving that this plan may miss: ``(expected_cost - least_cost) /
        (cost_without_plan - least_cost)``.
    solver : {"mixed-integer", "rounded relaxation", "greedy"}
        Where the plan comes from: the solver, or the relaxation rounded where that is the better plan, or, where there
        was no time for the relaxation, plain choice by rough prices. All keep to every limit.
    slot_value, pack_value : array, shape (W,)
        What one more slot in a week, or one more pack arriving for it, would save: shadow prices of the relaxation,
        an upper bound on what one more is worth to the relaxed plan. NaN if the relaxation was not finished.
    budget_value : float
        The same for one more unit of the currency.
    saving : array, shape (n, W)
        What each vehicle planned for each week saves against leaving it until its fault returns.
    returns : WeeklyReturns
        Returns to expect while the plan is carried out.
    assumptions : tuple of str
        To be shown with the plan.
    """

    week: Integers
    currency: str
    expected_cost: float
    cost_without_plan: float
    least_cost: float
    gap: float
    solver: Solver
    slot_value: Floats
    pack_value: Floats
    budget_value: float
    saving: Floats
    returns: WeeklyReturns
    assumptions: tuple[str, ...]


def plan_fleet(
    survival: ArrayLike,
    costs: FleetCosts,
    limits: FleetLimits,
    *,
    gap: float = 0.01,
    time_limit_s: float = 60.0,
    confidence: float = 0.9,
    band_low: ArrayLike | None = None,
    band_high: ArrayLike | None = None,
    told: Floats | None = None,
    standing: Bools | None = None,
    own_from: Integers | None = None,
) -> FleetPlan:
    """Plan the replacements of a fleet.

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
        Hold curves from the start of week 0 on.
    gap : float
        Share of the greatest possible saving at which the solver may stop.
    time_limit_s : float
        Solver time. When it runs out, the best plan found so far is returned with its true gap.
    confidence : float
        Of the interval of weekly returns.
    band_low, band_high : array-like, shape (n, len(DAYS)), optional
        Edges of the forecast's band, for that interval.
    told : array, shape (n, 101), optional
        Levels at which the forecasts' promises are read off, for the returns: what is used up of a promise counts as
        back. Without them the curve itself is the promise.
    standing : array of bool, shape (n,), optional
        True where a pack has to be replaced whatever its curve: its vehicle stands until then, and takes the first
        slot. Those in front of the table come first.
    own_from : array of int, shape (n,), optional
        Week by the start of which the pack that was ordered for a vehicle has come, `NOT_ORDERED` where none was. It is
        paid for: neither the budget nor the packs that arrive are drawn on, and no cost counts its price.

    Raises
    ------
    BadInput
        For missing costs, mixed currencies, negative limits or broken curves.
    """
    slots, packs, budget = _checked_limits(limits, costs)
    weeks = len(slots)
    hold = extended_hold(survival, weeks * WEEK_DAYS)
    edges = [
        None if band is None else extended_hold(band, weeks * WEEK_DAYS, name, every=WEEK_DAYS)
        for band, name in ((band_low, "band_low"), (band_high, "band_high"))
    ]
    if any(edge is not None and len(edge) != len(hold) for edge in edges):
        raise BadInput.one("band_low", "and band_high must have as many rows as survival.", "Give one band a vehicle.")
    weekly = hold[:, ::WEEK_DAYS]
    if told is not None:
        weekly = told_hold(weekly, told)
        edges = [None if edge is None else told_hold(edge, told) for edge in edges]
    own_from = np.full(len(hold), NOT_ORDERED, dtype=np.int64) if own_from is None else own_from
    own = own_from != NOT_ORDERED
    checked = _paid_for(costs.checked(len(hold), standing), own)
    cost = replacement_costs(hold, checked, standing)
    saving = np.where(np.arange(weeks) < own_from[:, None], 0.0, cost[:, -1:] - cost[:, :-1])
    room, money = np.minimum(packs, len(hold)).astype(np.int64), min(budget, float(checked["pack"].sum()))
    stands = np.zeros(len(hold), dtype=np.bool_) if standing is None else standing
    first, slots, room, money = _first_slots(stands, slots, room, money, checked["pack"], own_from)
    vehicle, week = np.nonzero((saving > LEAST_SAVING) & ~stands[:, None])
    programme = Programme(saving, checked["pack"], slots, room, money, vehicle, week, own)
    known, most, relaxed = solve(programme, gap, time_limit_s)

    without = float(cost[:, -1].sum())
    chosen = np.where(stands, first, known.week)
    saved, first_saved = programme.saved(chosen), programme.saved(first)
    most = max(most + first_saved, saved)
    prices = np.full(len(hold) + 2 * weeks + 1, np.nan) if relaxed is None else relaxed.row_price
    slot_price, pack_price = prices[len(hold) : -1].reshape(2, weeks)
    return FleetPlan(
        week=chosen,
        currency=costs.currency,
        expected_cost=without - saved,
        cost_without_plan=without,
        least_cost=without - most,
        gap=(most - saved) / most if most > 0 else 0.0,
        solver=known.solver,
        slot_value=slot_price,
        # A pack that arrives for week w loosens the limit of that week and of all later ones.
        pack_value=pack_price[::-1].cumsum()[::-1],
        budget_value=float(prices[-1]) / programme.unit,
        saving=saving,
        returns=weekly_returns(weekly, chosen, confidence, *edges),
        assumptions=(*_assumptions(weeks), *([] if standing is None or not standing.any() else [_STANDING])),
    )


def _paid_for(costs: dict[str, Floats], own: Bools) -> dict[str, Floats]:
    """Return the costs without the price of the packs that were ordered already.

    Such a pack is worth its price for as long as it lies unused, and lies whether it is fitted or not. So it costs no
    capital to fit it early, but what it loses in use where the old one would have held.
    """
    return {
        **costs,
        "pack": np.where(own, 0.0, costs["pack"]),
        "capital_per_day": np.where(own, 0.0, costs["capital_per_day"]),
        "return_value": costs["return_value"] - np.where(own, costs["pack"], 0.0),
    }


def _first_slots(
    standing: Bools, slots: Integers, packs: Integers, budget: float, price: Floats, own_from: Integers
) -> tuple[Integers, Integers, Integers, float]:
    """Give those that stand the first weeks with room; return them, and the slots, packs and money that are left."""
    week, slots, packs = np.full(len(standing), NOT_PLANNED, dtype=np.int64), slots.copy(), packs.copy()
    for vehicle in np.flatnonzero(standing):
        # A pack taken in a week is one less in every later one.
        own = own_from[vehicle] != NOT_ORDERED
        free = (slots > 0) & (np.arange(len(slots)) >= own_from[vehicle])
        if not own:
            free &= np.minimum.accumulate(packs[::-1])[::-1] > 0
        if not free.any() or price[vehicle] > budget:
            continue
        at = int(free.argmax())
        week[vehicle] = at
        slots[at] -= 1
        packs[at:] -= int(not own)
        budget -= float(price[vehicle])
    return week, slots, packs, budget


def _checked_limits(limits: FleetLimits, costs: FleetCosts) -> tuple[Integers, Floats, float]:
    """Return slots per week, packs arrived by each week, and the budget; infinite where there is no limit."""
    found = []
    slots = np.asarray(limits.slots, dtype=np.float64)
    arrivals = np.full(slots.shape, np.inf) if limits.packs is None else np.asarray(limits.packs, dtype=np.float64)
    if slots.ndim != 1 or not 1 <= len(slots) <= MAX_WEEKS:
        found.append(Problem("limits.slots", f"has shape {slots.shape}.", f"Give 1 to {MAX_WEEKS} weekly numbers."))
    elif arrivals.shape != slots.shape:
        found.append(
            Problem("limits.packs", f"has shape {arrivals.shape} for {len(slots)} weeks.", "Give one number a week.")
        )
    whole = (("limits.slots", slots), ("limits.packs", arrivals if limits.packs is not None else slots))
    for where, values in whole:
        if not (np.isfinite(values).all() and (values >= 0).all() and (values == np.floor(values)).all()):
            found.append(Problem(where, "holds something else than counts.", "Give whole numbers of 0 or more."))
    if limits.budget is not None and limits.budget.amount < 0:
        found.append(Problem("limits.budget", f"is {limits.budget}.", "Give an amount of 0 or more, or leave it out."))
    if found:
        raise BadInput(found)
    if limits.budget is None:
        return slots.astype(np.int64), arrivals.cumsum(), np.inf
    one_currency([limits.budget.currency, costs.currency], "limits.budget")
    return slots.astype(np.int64), arrivals.cumsum(), limits.budget.amount


def _assumptions(weeks: int) -> tuple[str, ...]:
    first = HORIZON // WEEK_DAYS + 1
    if weeks < first:
        return _ALWAYS
    span = (
        say("week %(first)s", first=first)
        if weeks == first
        else say("weeks %(first)s to %(last)s", first=first, last=weeks)
    )
    return (
        say(
            "The forecast ends on day %(day)s; from there on (%(span)s) each day is taken to be as risky as the last, "
            "which is an assumption.",
            day=HORIZON,
            span=span,
        ),
        *_ALWAYS,
    )
