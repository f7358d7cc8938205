"""The mixed-integer programme behind a fleet plan, and how it is solved.

A mixed-integer programme: x[i, w] = 1 if vehicle i is planned for week w,

    maximise  sum of saving[i, w] x[i, w]
    subject to  at most one week a vehicle, slots in each week, packs arrived by each week, price within the budget.

The relaxation is solved first. It bounds what any plan can save and prices the slots and packs. Then a core of the
choices with the smallest reduced costs is solved in whole numbers, which nearly always comes within the gap wanted. If
not, every choice whose reduced cost exceeds the distance to the best plan known is ruled out, and the rest is solved.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csr_array, vstack

from models.base.arrays import Bools, Floats, Integers
from models.decisions.fleet_costs import NOT_PLANNED

Solver = Literal["mixed-integer", "rounded relaxation", "greedy"]

_TIME_SHARES: Final = (0.6, 0.2, 0.2)
"""Shares of the time limit for the relaxation, the core and the rest."""

_CORE: Final = 10
"""Choices in the core for each vehicle that the relaxation plans. On invented fleets of 500 to 5,000 vehicles 10 came
within 0.1 % of the relaxation in about a second."""

_WHOLE: Final = 1e-6
"""Distance from a whole number that counts as whole."""

LEAST_SAVING: Final = 1e-6
"""Saving that counts as none. Unit: the currency."""

_PRICES: Final = 30
"""Mean prices that the budget is counted in; with the solver's tolerance of 1e-6 it is kept to within 3e-5 prices."""

_STEPS: Final = 200
"""Steps of the rough pricing that stands in for the relaxation when time runs out."""

_FILL_EVERY: Final = 20
"""Steps between two plans made with the prices so far: each takes as long as many steps."""


@dataclass(frozen=True, eq=False)
class Programme:
    """The programme over the choices (vehicle, week) that save something.

    Attributes
    ----------
    saving : array, shape (n, W)
        Of each vehicle planned for each week, against not planning it.
    price : array, shape (n,)
        Of each vehicle's pack.
    slots, packs : array of int, shape (W,)
        Slots in each week, packs arrived by the start of each week.
    vehicle, week : array of int, shape (k,)
        The choices.
    own : array of bool, shape (n,)
        True where a vehicle's pack was ordered for it: it takes none of those that arrive.
    """

    saving: Floats
    price: Floats
    slots: Integers
    packs: Integers
    budget: float
    vehicle: Integers
    week: Integers
    own: Bools

    @property
    def value(self) -> Floats:
        """What each choice saves."""
        return np.asarray(self.saving[self.vehicle, self.week], dtype=np.float64)

    def rows(self) -> tuple[csr_array, Floats]:
        """Return the constraint rows A x <= b: vehicles, slots, packs, budget."""
        count, (vehicles, weeks) = len(self.vehicle), self.saving.shape
        column, one = np.arange(count), np.ones(count)
        by_week = csr_array((one, (self.week, column)), shape=(weeks, count))
        taken = csr_array((1.0 - self.own[self.vehicle], (self.week, column)), shape=(weeks, count))
        so_far = csr_array(np.tril(np.ones((weeks, weeks))))
        parts = [
            csr_array((one, (self.vehicle, column)), shape=(vehicles, count)),
            by_week,
            so_far @ taken,
            csr_array(self.price[self.vehicle][None, :] / self.unit),
        ]
        money = np.array([self.budget / self.unit])
        return vstack(parts, format="csr"), np.concatenate([np.ones(vehicles), self.slots, self.packs, money])

    @property
    def unit(self) -> float:
        """What the budget row is counted in: some mean prices.

        In units of one price a row of a thousand packs misses the solver's absolute tolerance by its own rounding, and
        the solver solves its answer again.
        """
        return max(_PRICES * float(self.price.sum()) / max(len(self.price), 1), LEAST_SAVING)

    def net(self, slot_price: Floats, pack_price: Floats, money_price: float) -> Floats:
        """Return the savings less what slot, pack and money (in `unit`) are worth elsewhere, shape (n, W)."""
        places = slot_price + pack_price[::-1].cumsum()[::-1] * ~self.own[:, None]
        return np.asarray(self.saving - places - money_price * self.price[:, None] / self.unit, dtype=np.float64)

    def saved(self, week: Integers) -> float:
        """Return what a plan saves."""
        planned = np.flatnonzero(week != NOT_PLANNED)
        return float(self.saving[planned, week[planned]].sum())

    def plan(self) -> Integers:
        """Return the plan that makes every one of the choices."""
        week = self.nothing()
        week[self.vehicle] = self.week
        return week

    def nothing(self) -> Integers:
        """Return the plan that replaces no pack."""
        return np.full(len(self.saving), NOT_PLANNED, dtype=np.int64)

    def take(self, keep: Integers) -> Programme:
        """Return the programme over some of the choices."""
        return replace(self, vehicle=self.vehicle[keep], week=self.week[keep])


@dataclass(frozen=True, eq=False)
class Known:
    """A plan that keeps to the limits, and where it comes from."""

    week: Integers
    solver: Solver


@dataclass(frozen=True, eq=False)
class Relaxed:
    """Solution of the relaxation: its value, the choices, and the shadow prices of its rows and choices."""

    saved: float
    choice: Floats
    reduced: Floats
    row_price: Floats


def solve(programme: Programme, gap: float, time_limit_s: float) -> tuple[Known, float, Relaxed | None]:
    """Return the best plan found, the most that any plan can save, and the relaxation if there was time for it."""
    relaxed = _relax(programme, time_limit_s * _TIME_SHARES[0])
    if relaxed is None:
        plan, most = _plan_roughly(programme)
        return Known(plan, "greedy"), most, None

    whole = programme.take(np.flatnonzero(relaxed.choice > 1 - _WHOLE))
    vehicles, weeks = programme.saving.shape
    slot_price, pack_price = relaxed.row_price[vehicles:-1].reshape(2, weeks)
    net = programme.net(slot_price, pack_price, float(relaxed.row_price[-1]))
    known = Known(_fill(programme, whole.plan(), net), "rounded relaxation")
    size = _CORE * (np.count_nonzero(relaxed.choice > _WHOLE) + 1)
    core = programme.take(np.argsort(relaxed.reduced, kind="stable")[:size])
    found, _ = _solve_whole(core, gap / 2, time_limit_s * _TIME_SHARES[1])
    known = _better(programme, known, found)
    most = relaxed.saved
    distance = most - programme.saved(known.week)
    if distance > gap * most:
        # A choice whose reduced cost exceeds the distance to a known plan is in no better plan.
        rest = programme.take(np.flatnonzero(relaxed.reduced <= distance + LEAST_SAVING))
        found, rest_most = _solve_whole(rest, gap, time_limit_s * _TIME_SHARES[2])
        known = _better(programme, known, found)
        most = min(most, max(rest_most, programme.saved(known.week)))
    return known, most, relaxed


def _better(programme: Programme, known: Known, found: Known | None) -> Known:
    return known if found is None or programme.saved(found.week) < programme.saved(known.week) else found


def _relax(programme: Programme, time_limit_s: float) -> Relaxed | None:
    """Solve the relaxation, or return None if the time runs out."""
    rows, limits = programme.rows()
    if not len(programme.vehicle):
        return Relaxed(0.0, np.zeros(0), np.zeros(0), np.zeros(len(limits)))
    found = linprog(
        -programme.value,
        A_ub=rows,
        b_ub=limits,
        bounds=(0, None),
        method="highs-ds",
        options={"time_limit": time_limit_s},
    )
    if found.status != 0:
        return None
    return Relaxed(-found.fun, found.x, found.lower.marginals, -found.ineqlin.marginals)


def _solve_whole(programme: Programme, gap: float, time_limit_s: float) -> tuple[Known | None, float]:
    """Solve the programme in whole numbers; return a plan, if one was found, and the most that can be saved."""
    if not len(programme.vehicle):
        return None, 0.0
    rows, limits = programme.rows()
    found = milp(
        -programme.value,
        integrality=np.ones(len(programme.vehicle)),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(rows, -np.inf, limits),
        options={"mip_rel_gap": gap, "time_limit": time_limit_s},
    )
    most = np.inf if found.mip_dual_bound is None else -float(found.mip_dual_bound)
    if found.x is None:
        return None, most
    return Known(programme.take(np.flatnonzero(found.x > 0.5)).plan(), "mixed-integer"), most


def _plan_roughly(programme: Programme) -> tuple[Integers, float]:
    """Plan with prices for slots, packs and money but without a solver; return plan and the most any plan can save.

    Subgradient steps of Polyak's length on the Lagrangian dual (Held, Wolfe & Crowder 1974, Mathematical Programming
    6, 62-88; from memory, unverified). Every set of prices bounds what any plan can save, so it may stop at any step.
    """
    weeks = programme.saving.shape[1]
    limits = np.concatenate([programme.slots, programme.packs, [programme.budget / programme.unit]])
    prices, most = np.zeros(2 * weeks + 1), np.inf
    plan = programme.nothing()
    for step in range(_STEPS):
        net = programme.net(prices[:weeks], prices[weeks:-1], float(prices[-1]))
        choice = net.argmax(axis=1)
        gain = net[np.arange(len(net)), choice]
        taken = gain > 0
        bound = float(gain[taken].sum() + prices @ limits)
        most = min(most, bound)
        if step % _FILL_EVERY == 0:
            plan = max(plan, _fill(programme, programme.nothing(), net), key=programme.saved)
        target = programme.saved(plan)
        used, packs = (np.bincount(choice[rows], minlength=weeks) for rows in (taken, taken & ~programme.own))
        slope = limits - np.concatenate([used, packs.cumsum(), [programme.price[taken].sum() / programme.unit]])
        # A price that is 0 cannot fall: leaving it out of the step keeps the others moving.
        slope[(prices <= 0) & (slope > 0)] = 0.0
        length = float(slope @ slope)
        if length <= 0 or bound <= target:
            break
        prices = np.maximum(prices - (bound - target) / length * slope, 0.0)
    return plan, most


def _fill(programme: Programme, week: Integers, net: Floats) -> Integers:
    """Add vehicles to a feasible plan, those that gain most after paying for slot, pack and money first.

    Each takes the week in which it gains most among those with a slot and a pack left.
    """
    plan = week.copy()
    slots, packs, budget = programme.slots.copy(), programme.packs.copy(), programme.budget
    for vehicle in np.flatnonzero(plan != NOT_PLANNED):
        slots[plan[vehicle]] -= 1
        packs[plan[vehicle] :] -= int(not programme.own[vehicle])
        budget -= programme.price[vehicle]
    gain = np.where(programme.saving > LEAST_SAVING, net, -np.inf)
    for vehicle in np.argsort(-gain.max(axis=1), kind="stable"):
        if plan[vehicle] != NOT_PLANNED or programme.price[vehicle] > budget:
            continue
        if not (slots > 0).any():
            break
        free = (slots > 0) & (gain[vehicle] > -np.inf)
        if not programme.own[vehicle]:
            free &= np.minimum.accumulate(packs[::-1])[::-1] > 0
        if not free.any():
            continue
        choice = int(np.where(free, gain[vehicle], -np.inf).argmax())
        plan[vehicle] = choice
        slots[choice] -= 1
        packs[choice:] -= int(not programme.own[vehicle])
        budget -= programme.price[vehicle]
    return plan
