"""A simulated year of topped-up packs and the orders for their replacements, settled to the last day. All invented.

Each case is a pack let go on a top-up. A policy says when its replacement is ordered and from whom, and whether its
connections are cleaned before it goes; what then happens, the fault's return and the delivery, is the same for every
policy that does so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import ValidationError

from models.base.arrays import Floats, Rows
from models.base.day_grid import DAYS, HORIZON_DAYS, survival_at
from models.base.errors import BadInput, OutOfReach
from models.decisions.lead_time import Delivery, Quote, lead_time
from models.decisions.money import Money
from models.decisions.ordering import AT_RETURN, Costs, Offer, plan_orders
from models.forecaster import Forecaster
from models.interventions.forward_runs import Ready, run_plans
from models.interventions.plans import CLEANED, PRESENT
from models.packs.stops.rules import Stopped
from models.packs.tables import HistoryTables, block_column, from_days, to_days
from models.physics.pack_state import PackState
from models.physics.use_process import UseProcess
from tests.cases.known import known_history
from tests.studies.order_year.replanning import until_next_look
from training.learning.moments import SurvivalRows
from training.simulation.bank import ready_packs
from training.simulation.cohort import CohortPlan, joined, simulate_cohort
from training.simulation.marrow_bay import FAMILIES
from training.simulation.meters import MeterQuality, VisitFaults, read_blocks
from training.simulation.workshop import WorkshopHabits

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

FOLLOWED_DAYS: Final = 180
"""Days from its release for which a case is settled."""

THINK_EVERY_DAYS: Final = 7.0
"""A case that waits is planned anew this often, with or without a reading."""

LAST_LOOK_DAY: Final = 30
"""Latest day after the release on which a vehicle can be called in to be read."""

JUST_AFTER_DAYS: Final = 0.02
"""A plan is made so long after the hour of a reading, once both shots are taken."""


@dataclass(frozen=True)
class Supply:
    """One way of getting a pack as it really is: what is asked for it, what is said of it, and how long it takes.

    Attributes
    ----------
    supplier : str
    price, express_fee : float
    quote : Quote
        What the supplier says.
    median_days, spread : float
        Of the true lead time: lognormal, rounded up to whole days; `spread` is the standard deviation of its logarithm.
    """

    supplier: str
    price: float
    express_fee: float
    quote: Quote
    median_days: float
    spread: float

    def days(self, z: Floats) -> Ints:
        """Turn standard normal draws into lead times."""
        return np.ceil(self.median_days * np.exp(self.spread * z)).astype(np.int64)

    def offer(self, currency: str, past: Ints) -> Offer:
        """Return it as the parts counter knows it: the quote, moved by its own past deliveries."""
        known = lead_time(self.supplier, self.quote, [Delivery(int(days)) for days in past])
        fee = Money(self.express_fee, currency) if self.express_fee else None
        return Offer(self.supplier, Money(self.price, currency), known, fee)


@dataclass(frozen=True)
class Year:
    """The cases of a year.

    Attributes
    ----------
    tables : HistoryTables
        What was known at each release.
    pack_id : object array, shape (n,)
    release : array, shape (n,)
        Days since 1970.
    returns, returns_cleaned : array, shape (n,)
        Day of the fault's return after the release, without and with cleaned connections, all luck the same; infinity
        if not within `FOLLOWED_DAYS`.
    possible_returns, possible_cleaned : array, shape (n, k)
        The same of k runs forward from the hidden state at the release: the true distributions.
    readings : DataFrame
        What a bench would read at rest and under load on each morning up to day `LAST_LOOK_DAY` (column ``look``)
        of the cases still holding then, if the vehicle were called in.
    delivery_z : array, shape (n, 2)
        Standard normal, behind the lead time of the case's order before the return and of one at it.
    past_z : array, shape (m,)
        The same for the deliveries on record.
    """

    tables: HistoryTables
    pack_id: NDArray[np.object_]
    release: Floats
    returns: Floats
    returns_cleaned: Floats
    possible_returns: Floats
    possible_cleaned: Floats
    readings: pd.DataFrame
    delivery_z: Floats
    past_z: Floats

    def __len__(self) -> int:
        return len(self.pack_id)

    def returns_of(self, cleaned: Flags) -> Floats:
        """Day of each fault's return, by whether the connections were cleaned."""
        return np.where(cleaned, self.returns_cleaned, self.returns)

    def offers(self, supplies: Sequence[Supply], currency: str) -> list[Offer]:
        """Return the supplies as the parts counter knows them from its record."""
        parts = np.array_split(self.past_z, len(supplies))
        return [supply.offer(currency, supply.days(z)) for supply, z in zip(supplies, parts, strict=True)]

    def seen(self, looks: Mapping[int, Sequence[int]]) -> HistoryTables:
        """Return what is known after some cases were called in on some days after their release."""
        asked = {(self.pack_id[case], day) for case, days in looks.items() for day in days}
        key = zip(self.readings["pack_id"], self.readings["look"], strict=True)
        rows = self.readings[[pair in asked for pair in key]].drop(columns="look")
        both = joined([self.tables.readings, rows])
        return replace(self.tables, readings=both.sort_values(["pack_id", "time"], kind="stable", ignore_index=True))


def simulate_year(cases: int, seed: int, *, runs: int = 200, past_orders: int = 25) -> Year:
    """Simulate the cases of a year in Marrow Bay.

    Parameters
    ----------
    cases : int
    seed : int
    runs : int
        Runs forward of each case for its true distribution.
    past_orders : int
        Deliveries on record of each of three supplies.
    """
    habits = WorkshopHabits(replaces=False, repeat_share=0.0)
    plan = CohortPlan(
        packs=cases,
        seed=seed,
        families=FAMILIES,
        places=("marrow-bay",),
        days=30,
        habits=habits,
        years=1,
        keep_states=True,
    )
    cohort = simulate_cohort(plan)
    rng = np.random.default_rng([seed, 1])
    ids = cohort.truth["pack_id"].to_numpy(dtype=object)
    order = {pack: place for place, pack in enumerate(ids)}
    release, returns = np.full(cases, np.nan), np.full((2, cases), np.inf)
    possible = np.full((2, cases, runs), np.inf)
    readings = []
    for ready, moments in ready_packs(cohort):
        # The first state kept of a pack is that of its release.
        packs, first = np.unique(moments["pack_id"].to_numpy().astype(str), return_index=True)
        rows = np.array([order[pack] for pack in packs], dtype=np.intp)
        release[rows] = to_days(moments["origin"].iloc[first])
        released = ready.take(first)
        watch = _Watch(released, packs.astype(object), release[rows], rng)
        returns[:, rows] = run_plans(
            released, (PRESENT, CLEANED), rng, FOLLOWED_DAYS, watch.read, range(LAST_LOOK_DAY + 1)
        )
        many = run_plans(released.repeat(runs), (PRESENT, CLEANED), rng, FOLLOWED_DAYS)
        possible[:, rows] = many.reshape(2, -1, runs)
        readings += watch.readings
    known = cohort.tables.readings
    then = pd.Series(release, index=ids)[known["pack_id"]].to_numpy()
    tables = replace(cohort.tables, readings=known[to_days(known["time"]) <= then].reset_index(drop=True))
    return Year(
        tables=tables,
        pack_id=ids,
        release=release,
        returns=returns[0],
        returns_cleaned=returns[1],
        possible_returns=possible[0],
        possible_cleaned=possible[1],
        readings=joined(readings),
        delivery_z=rng.standard_normal((cases, 2)),
        past_z=rng.standard_normal(3 * past_orders),
    )


def year_of_releases(tables: HistoryTables, releases: SurvivalRows, seed: int, *, past_orders: int = 25) -> Year:
    """Take recorded releases for the cases of a year; none of them can be called in, and no connections be cleaned.

    Parameters
    ----------
    tables : HistoryTables
        What is recorded of their packs, also after the releases.
    releases : SurvivalRows
        One of each pack, all followed for `FOLLOWED_DAYS` or to the fault's return.
    seed : int
        Of lead times.
    past_orders : int
        Deliveries on record of each of three supplies.
    """
    rng = np.random.default_rng([seed, 1])
    ids = releases.moments["pack_id"].to_numpy(dtype=object)
    release = to_days(releases.moments["origin"]).astype(np.float64)
    back = releases.event & (releases.time <= FOLLOWED_DAYS)
    returns = np.where(back, releases.time, np.inf)
    then = dict(zip(ids, release, strict=True))
    packs = tables.of_packs(pd.Series(ids))

    def known(table: pd.DataFrame) -> pd.DataFrame:
        return table[to_days(table["time"]) <= table["pack_id"].map(then).to_numpy()].reset_index(drop=True)

    return Year(
        tables=replace(
            packs,
            readings=known(packs.readings),
            topups=known(packs.topups),
            usage=known(packs.usage),
            outcomes=known(packs.outcomes),
        ),
        pack_id=ids,
        release=release,
        returns=returns,
        returns_cleaned=returns,
        possible_returns=returns[:, None],
        possible_cleaned=returns[:, None],
        readings=tables.readings.iloc[:0].assign(look=0),
        delivery_z=rng.standard_normal((len(ids), 2)),
        past_z=rng.standard_normal(3 * past_orders),
    )


class _Watch:
    """Reads packs at rest and under load on their first mornings, with a bench meter and without its faults."""

    def __init__(self, packs: Ready, names: NDArray[np.object_], release: Floats, rng: np.random.Generator) -> None:
        self.packs, self.names, self.release, self.rng = packs, names, release, rng
        self.readings: list[pd.DataFrame] = []

    def read(self, step: int, plan: Rows, pack: Rows, state: PackState, use: UseProcess) -> None:
        """Read the packs that still hold on a morning, as they were let go."""
        as_planned = np.flatnonzero(plan == 0)
        pack, state, use = pack[as_planned], state.take(as_planned), use.take(as_planned)
        m, family = len(pack), self.packs.family
        none, quality = np.full(m, -1, dtype=np.intp), MeterQuality()
        ambient = use.ambient_c(self.packs.day[pack] + step).astype(np.float64)
        for kind, minutes in (("rest", 0), ("discharge", 20)):
            bench = np.full(m, kind == "rest")
            shot = read_blocks(family, state, kind, ambient, bench, VisitFaults(none, none, none), quality, self.rng)
            table = pd.DataFrame(
                {
                    "pack_id": self.names[pack],
                    "time": from_days(self.release[pack] + step + minutes / 1440),
                    "state": kind,
                    "current_a": shot.current_a,
                    "temperature_c": shot.temperature_c,
                    "look": step,
                }
            )
            blocks = {block_column(b + 1): shot.block_v[:, b] for b in range(shot.block_v.shape[1])}
            self.readings.append(pd.concat([table, pd.DataFrame(blocks)], axis=1))


@dataclass(frozen=True)
class Orders:
    """What a policy orders before the return: offer and day after the release, `AT_RETURN` where nothing.

    `cleaned` says whose connections were cleaned before the release, `readings` how often a vehicle was called in to be
    read.
    """

    offer: Ints
    day: Floats
    cleaned: Flags
    readings: int = 0


def order_on_release(year: Year, offer: int, delay_days: float = 0.0, *, cleaned: bool = False) -> Orders:
    """Order the same offer for every case, some days after the release."""
    n = len(year)
    return Orders(np.full(n, offer, dtype=np.int64), np.full(n, float(delay_days)), np.full(n, cleaned))


Curves = Callable[[HistoryTables, Ints, Floats], Floats]
"""From what is known, case numbers and days after the release at which they still hold: curves, (m, len(DAYS))."""


def forecast_curves(year: Year, forecaster: Forecaster) -> Curves:
    """Return curves by a forecaster, from what was known at each moment."""

    def curves(tables: HistoryTables, case: Ints, held: Floats) -> Floats:
        moments = pd.DataFrame({"pack_id": year.pack_id[case], "origin": from_days(year.release[case] + held)})
        return forecaster.forecast_batch(tables, moments).survival

    return curves


@dataclass(frozen=True)
class Cleaning:
    """Connections cleaned before the release: what it costs a case, and curves of cases for which it was done."""

    cost: float
    curves: Curves


def cleaned_curves(year: Year, forecaster: Forecaster) -> Curves:
    """Return curves by a forecaster's what-if, from what was known at the release, given that the pack still holds.

    For a pack of which it says nothing cleaning is taken to change nothing.
    """
    found: dict[int, Floats] = {}
    unchanged = forecast_curves(year, forecaster)

    def at_release(case: int) -> Floats:
        pack = str(year.pack_id[case])
        moment = from_days(year.release[[case]] + JUST_AFTER_DAYS)
        try:
            history = known_history(year.tables, pd.Series({"pack_id": pack, "origin": moment[0]}))
            weighed = forecaster.what_if(history, (CLEANED,), moment[0].to_pydatetime()).plans
        except (OutOfReach, Stopped, ValidationError):  # a simulated note can be one that nobody could have written
            weighed = ()
        if weighed:
            return np.asarray(weighed[1].survival)
        return np.asarray(unchanged(year.tables, np.array([case]), np.array([JUST_AFTER_DAYS]))[0])

    def curves(_: HistoryTables, case: Ints, held: Floats) -> Floats:
        found.update({c: at_release(c) for c in case.tolist() if c not in found})
        each = np.stack([found[c] for c in case.tolist()])
        then = np.minimum(held[:, None] + DAYS, HORIZON_DAYS)
        on = np.stack([survival_at(curve[None, :], days)[0] for curve, days in zip(each, then, strict=True)])
        return np.asarray(on / np.maximum(on[:, :1], 1e-12))

    return curves


def true_curves_of(year: Year, *, cleaned: bool = False) -> Curves:
    """Return curves by the true distribution at the release, given that the pack still holds."""
    possible = year.possible_cleaned if cleaned else year.possible_returns

    def curves(_: HistoryTables, case: Ints, held: Floats) -> Floats:
        left = possible[case] - held[:, None]
        still = (left > 0).sum(axis=1)
        after = (left[:, :, None] > DAYS).sum(axis=1) / np.maximum(still, 1)[:, None]
        # Where no run held so long, the pack is taken to be as good as those that hold to the end.
        out = np.where(still[:, None] > 0, after, 1.0)
        out[:, 0] = 1.0
        return np.asarray(out)

    return curves


def order_by_plan(
    year: Year,
    curves: Curves,
    offers: Sequence[Offer],
    costs: Costs,
    *,
    rechecks: bool = False,
    cleaning: Cleaning | None = None,
) -> Orders:
    """Order by the plan of least expected cost, made anew every week.

    Parameters
    ----------
    year : Year
    curves : callable
    offers : sequence of Offer
    costs : Costs
    rechecks : bool
        Call in each vehicle that still waits when its plan is made anew, up to day `LAST_LOOK_DAY`, and plan from what
        is read.
    cleaning : Cleaning, optional
        Clean the connections of a case where that is cheaper, its own cost counted; such a case is not read again.
    """
    n = len(year)
    offer, day = np.full(n, AT_RETURN, dtype=np.int64), np.full(n, np.inf)
    now = np.zeros(n)
    everyone = np.arange(n)

    def cost(told: Curves) -> Floats:
        return plan_orders(told(year.tables, everyone, now + JUST_AFTER_DAYS), offers, costs, 0.1).best_cost

    cleaned = np.zeros(n, dtype=bool)
    if cleaning is not None:
        cleaned = cost(cleaning.curves) + cleaning.cost < cost(curves)
    returns = year.returns_of(cleaned)
    waits = now < returns
    tables, looks = year.tables, dict[int, list[int]]()
    while waits.any():
        case = np.flatnonzero(waits)
        if rechecks and 0 < now[case[0]] <= LAST_LOOK_DAY:
            for c in case[~cleaned[case]].tolist():
                looks.setdefault(c, []).append(int(now[c]))
            tables = year.seen(looks)
        told, mended = np.empty((len(case), len(DAYS))), cleaned[case]
        held = now[case] + JUST_AFTER_DAYS
        if not mended.all():
            told[~mended] = curves(tables, case[~mended], held[~mended])
        if cleaning is not None and mended.any():
            told[mended] = cleaning.curves(tables, case[mended], held[mended])
        plan = plan_orders(told, offers, costs, 0.1)
        ahead = until_next_look(plan, THINK_EVERY_DAYS)
        ordered = case[ahead.order]
        offer[ordered], day[ordered] = ahead.offer[ahead.order], now[ordered] + ahead.day[ahead.order]
        now[case] += THINK_EVERY_DAYS
        waits[ordered] = False
        waits &= (now < returns) & (now < FOLLOWED_DAYS - DAYS[-1])
    return Orders(offer, day, cleaned, sum(len(days) for days in looks.values()))


@dataclass(frozen=True)
class Ledger:
    """What a policy cost in a year, all cases together.

    Attributes
    ----------
    cases, packs, needless, cleaned : int
        Packs bought, those of them whose old pack would have held for the whole time followed, and cases whose
        connections were cleaned.
    strandings : int
    days_off_road, express_fees, pack_prices, capital, stranding_cost, off_road_cost : float
    readings_cost, cleaning_cost, returned_value : float
    total : float
        All of them, less the value of needless packs.
    unavoidable : float
        For each case whose fault comes back within the time followed if nothing is done, the cheapest pack, or cleaned
        connections where those are cheaper and keep it from coming back.
    """

    cases: int
    packs: int
    needless: int
    cleaned: int
    strandings: int
    days_off_road: float
    express_fees: float
    pack_prices: float
    capital: float
    stranding_cost: float
    off_road_cost: float
    readings_cost: float
    cleaning_cost: float
    returned_value: float
    total: float
    unavoidable: float

    @property
    def avoidable(self) -> float:
        """What was paid beyond the packs, or cleaned connections, that were needed in any case."""
        return self.total - self.unavoidable


def settle(
    year: Year,
    orders: Orders,
    supplies: Sequence[Supply],
    offers: Sequence[Offer],
    costs: Costs,
    *,
    reading_cost: float,
    cleaning_cost: float,
) -> Ledger:
    """Let a year happen.

    `reading_cost` is that of calling a vehicle in to be read, `cleaning_cost` that of cleaning a pack's connections.

    A case whose fault comes back before its pack is ordered gets the offer that is then cheapest with the days off the
    road counted; a pack that is still on its way at the return is waited for.

    Raises
    ------
    BadInput
        If a cost is not one plain amount.
    """
    each = {name: getattr(costs, name) for name in ("stranding", "day_off_road", "capital_per_day", "return_value")}
    if not all(np.ndim(amount) == 0 and amount is not None for amount in each.values()):
        raise BadInput.one("costs", "are to be settled but not plain amounts.", "Give one amount for each cost.")
    stranding, day_off, capital, value = (float(amount) for amount in each.values())
    at_return = int(np.argmin([o.to_pay.amount + day_off * o.lead_time.least_mean_days for o in offers]))
    returns = year.returns_of(orders.cleaned)
    before = (orders.offer != AT_RETURN) & (orders.day < returns) & (orders.day < FOLLOWED_DAYS)
    back = np.isfinite(returns)
    bought = before | back
    offer = np.where(before, orders.offer, at_return)
    lead = np.stack([np.where(before, s.days(year.delivery_z[:, 0]), s.days(year.delivery_z[:, 1])) for s in supplies])
    placed = np.where(before, orders.day, returns)
    arrives = placed + lead[offer, np.arange(len(year))]
    stranded = back & (returns <= arrives)
    off_days = np.where(stranded, arrives - np.where(stranded, returns, 0.0), 0.0)
    early = np.where(bought & ~stranded, np.maximum(np.minimum(returns, FOLLOWED_DAYS) - arrives, 0.0), 0.0)
    price = np.array([s.price for s in supplies])[offer] * bought
    fee = np.array([s.express_fee for s in supplies])[offer] * bought
    needless = before & ~back
    mends, pack = np.isinf(year.returns_cleaned), min(s.price for s in supplies)
    parts = {
        "express_fees": float(fee.sum()),
        "pack_prices": float(price.sum()),
        "capital": float(capital * early.sum()),
        "stranding_cost": float(stranding * stranded.sum()),
        "off_road_cost": float(day_off * off_days.sum()),
        "readings_cost": reading_cost * orders.readings,
        "cleaning_cost": cleaning_cost * int(orders.cleaned.sum()),
        "returned_value": float(value * needless.sum()),
    }
    return Ledger(
        cases=len(year),
        packs=int(bought.sum()),
        needless=int(needless.sum()),
        cleaned=int(orders.cleaned.sum()),
        strandings=int(stranded.sum()),
        days_off_road=float(off_days.sum()),
        **parts,
        total=sum(parts.values()) - 2 * parts["returned_value"],
        unavoidable=float(np.where(mends, min(cleaning_cost, pack), pack)[np.isfinite(year.returns)].sum()),
    )
