"""When to order the replacement pack, from whom, and what waiting costs.

The plan weighed is: order on day q if the fault has not come back by then, and fit the pack when it arrives. If the
fault comes first, the pack is ordered at the return and the vehicle stands until it is there. With T the return day,
L the lead time and A = q + L, a plan costs, up to `COUNTED_DAYS`,

- the pack: price and express fee, of the planned offer if T > q, else of the offer that is cheapest at a return;
- stranding, if T <= A;
- days off the road, A - T if q < T <= A and the whole lead time if T <= q;
- capital for each day that the pack was bought before it was needed, from A to T or the last day counted;
- less the return value, if the old pack would have held to the last day counted, so that none was needed.

Not ordering at all until the fault returns is always weighed along with the planned days.

A pack that holds to the end of the forecast is not good for ever: were costs counted to there alone, waiting would be
free of all that follows, and look too good. Past the end the hazard of the last days goes on (`extended_hold`), an
assumption; a promise never rests on it.

Sums over the lead time are correlations of its probabilities with the running sums of F and S, so all cases and all
order days come out of one matrix product for each offer.

Costs are means, and read the hold curve. A day for a chosen risk is a promise, and is read off where the forecast's own
promises are (`told`): an order by the latest day beats the fault as often as a pack holds until its promised day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import toeplitz

from models.base.arrays import Bools, Floats, Integers
from models.base.errors import BadInput
from models.base.messages import say
from models.calibration.conformal import told_hold
from models.decisions.hold_curves import HORIZON, daily_hold, extended_hold
from models.decisions.lead_time import LeadTime
from models.decisions.money import Amounts, Money, asked_for, one_currency

AT_RETURN: Final = -1
"""In place of an offer or an order day: order only when the fault is back."""

TOO_LATE: Final = -1
"""In place of a latest order day: even an order placed today runs a higher risk."""

COUNTED_DAYS: Final = 2 * HORIZON
"""Days for which costs are counted: as long again as the forecast. Invented; what it changes on packs followed for so
long stands in `tests/studies/decisions.md`."""

ORDER_DAYS: Final[Integers] = np.arange(HORIZON + 1, dtype=np.int64)
"""The order days weighed. Unit: days from today."""


@dataclass(frozen=True)
class Offer:
    """One way of getting the pack.

    Attributes
    ----------
    express_fee : Money, optional
        Paid on top for this lead time. An express and an ordinary delivery of one supplier are two offers.
    """

    supplier: str
    price: Money
    lead_time: LeadTime
    express_fee: Money | None = None

    @property
    def to_pay(self) -> Money:
        """Price and express fee together."""
        return self.price if self.express_fee is None else self.price + self.express_fee


@dataclass(frozen=True, eq=False)
class Costs:
    """What being wrong costs; nothing has a default, zero must be said.

    Attributes
    ----------
    currency : str
        ISO 4217 code of all four.
    stranding : float or array, shape (n,)
        One return of the fault before the pack is fitted: recovery, replacement trip, goodwill.
    day_off_road : float or array, shape (n,)
        One day in which the vehicle stands.
    capital_per_day : float or array, shape (n,)
        One day in which a pack was bought earlier than needed.
    return_value : float or array, shape (n,)
        What the pack bought was still good for if the old one would have held for `COUNTED_DAYS`.
    """

    currency: str
    stranding: Amounts = None
    day_off_road: Amounts = None
    capital_per_day: Amounts = None
    return_value: Amounts = None


_WHY: Final = {
    "stranding": say(
        "It is what one return before the pack is fitted costs: it decides between early and late orders."
    ),
    "day_off_road": say("It is what each day costs while the vehicle stands: it decides between fast and slow offers."),
    "capital_per_day": say("It is what a pack bought a day too early costs: without it, ordering at once looks best."),
    "return_value": say(
        "It is what the new pack is still worth if the old one would have held: it counts against needless orders."
    ),
}


@dataclass(frozen=True, eq=False)
class OrderPlan:
    """The order days and offers weighed for n cases, m offers and days 0 to the horizon.

    Attributes
    ----------
    offers : tuple of Offer, length m
    cost_at_least : array, shape (n, m, HORIZON + 1)
        Expected cost of each offer ordered on each day. Returns past `COUNTED_DAYS` are not counted.
    cost_at_most : array, shape (n, m, HORIZON + 1)
        The same if every pack that holds so long failed right after it. The two differ only where the pack may come
        after that day. With an open record both are least values: its open orders count as one day late.
    at_return_cost : array, shape (n,)
        Expected cost of ordering only at the return, counted alike.
    at_return_offer : array of int, shape (n,)
        The offer taken at a return: the least of price, fee and days off the road.
    fault_first_at_most : array, shape (n, m, HORIZON + 1)
        Probability that the fault beats the delivery, as the forecast's promises have it; arrivals past the horizon
        counted as beaten.
    best_offer, best_day : array of int, shape (n,)
        Cheapest by `cost_at_most`, the earliest of equals; `AT_RETURN` where no order before the return pays.
    best_cost : array, shape (n,)
    safe_offer, safe_day : array of int, shape (n,)
        Cheapest order before the return that keeps to the chosen risk. Where none does, the offer that beats the fault
        most often if ordered today, with `TOO_LATE` as its day.
    latest_day : array of int, shape (n, m)
        Last order day on which the fault beats the delivery with at most the chosen risk, else `TOO_LATE`.
    horizon_limits : array of bool, shape (n, m)
        True where a later day might do too, but lies past what the forecast can vouch for.
    risk : float
        The risk chosen.
    """

    currency: str
    offers: tuple[Offer, ...]
    cost_at_least: Floats
    cost_at_most: Floats
    at_return_cost: Floats
    at_return_offer: Integers
    fault_first_at_most: Floats
    best_offer: Integers
    best_day: Integers
    best_cost: Floats
    safe_offer: Integers
    safe_day: Integers
    latest_day: Integers
    horizon_limits: Bools
    risk: float


@dataclass(frozen=True, eq=False)
class OrderPlanBand:
    """The plan on the forecast and on both edges of its band.

    Attributes
    ----------
    middle, pessimistic, optimistic : OrderPlan
        On the forecast, the low edge (fault sooner) and the high edge of its band.
    depends_on_band : array of bool, shape (n,)
        True where offer or cheapest day differ between the three.
    """

    middle: OrderPlan
    pessimistic: OrderPlan
    optimistic: OrderPlan
    depends_on_band: Bools


@dataclass(frozen=True, eq=False)
class CostChange:
    """What the plan would be if one cost were another.

    Attributes
    ----------
    cost : str
        Name of the cost changed.
    factor : float
        What it was multiplied by.
    changed : array of bool, shape (n,)
        True where another offer or another day becomes the cheapest.
    """

    cost: str
    factor: float
    plan: OrderPlan
    changed: Bools


@dataclass(frozen=True, eq=False)
class _Exposure:
    """Expected amounts per plan that the costs are multiplied with; each (n, m, HORIZON + 1)."""

    fault_first: Floats
    days_standing: Floats
    days_early: Floats


@dataclass(frozen=True, eq=False)
class _Exposures:
    """Least and most of what the plans are exposed to.

    `least` sees no return after the last day counted, `most` sees all of them right after it. `fault_first` is the
    risk by what is promised, with open orders counted as never arriving: the risk must carry them, the cost cannot.
    `hopeful` is the same of `least`.
    """

    least: _Exposure
    most: _Exposure
    fault_first: Floats
    hopeful: Floats


def plan_orders(
    survival: ArrayLike, offers: Sequence[Offer], costs: Costs, risk: float, told: Floats | None = None
) -> OrderPlan:
    """Weigh every offer on every order day for every case.

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
        Hold curves from today on.
    offers : sequence of Offer, length m
    risk : float
        Highest acceptable probability that the fault beats the delivery, between 0 and 1.
    told : array, shape (n, 101), optional
        Levels at which the forecast's promises are read off (`models.forecasts.forecast.Forecast.told_levels`).
        Without them the curve itself is the promise.

    Raises
    ------
    BadInput
        For missing costs (with the reason each is needed), mixed currencies, no offer, or broken curves.
    """
    hold = extended_hold(survival, COUNTED_DAYS)
    checked = _checked_costs(offers, costs, len(hold))
    _require_risk(risk)
    return _weigh(hold, tuple(offers), costs.currency, checked, _exposures(hold, offers, told), risk)


def latest_order_days(
    survival: ArrayLike, lead_times: Sequence[LeadTime], risk: float, told: Floats | None = None
) -> Integers:
    """Return the last day on which an order still beats the fault often enough; it depends on no cost.

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
        Hold curves from today on.
    lead_times : sequence of LeadTime, length m
    risk : float
        Highest acceptable probability that the fault beats the delivery, between 0 and 1.
    told : array, shape (n, 101), optional
        As for `plan_orders`.

    Returns
    -------
    array of int, shape (n, m)
        Days from today, `TOO_LATE` where even an order placed today runs a higher risk: `OrderPlan.latest_day`.

    Raises
    ------
    BadInput
        If these are not hold curves, or the risk lies outside 0 to 1.
    """
    _require_risk(risk)
    return _latest(_fault_first(_promised(daily_hold(survival), told), lead_times), risk)


def plan_orders_on_band(
    survival: ArrayLike,
    band_low: ArrayLike,
    band_high: ArrayLike,
    offers: Sequence[Offer],
    costs: Costs,
    risk: float,
    told: Floats | None = None,
) -> OrderPlanBand:
    """Weigh the offers on the forecast and on both edges of its band.

    Parameters
    ----------
    survival, band_low, band_high : array-like, shape (n, len(DAYS))
    offers, costs, risk, told
        As for `plan_orders`.
    """
    middle, low, high = (plan_orders(curves, offers, costs, risk, told) for curves in (survival, band_low, band_high))
    if not len(middle.best_day) == len(low.best_day) == len(high.best_day):
        raise BadInput.one("band_low", "and band_high must have as many rows as survival.", "Give one band a case.")
    return OrderPlanBand(middle, low, high, _differs(middle, low) | _differs(middle, high))


def cost_sensitivity(
    survival: ArrayLike,
    offers: Sequence[Offer],
    costs: Costs,
    risk: float,
    told: Floats | None = None,
) -> list[CostChange]:
    """Ask how the answer would change if each cost were halved or doubled.

    A return value is never raised above what the cheapest offer costs: nobody gains by buying a pack.

    Parameters
    ----------
    survival, offers, costs, risk, told
        As for `plan_orders`.

    Returns
    -------
    list of CostChange
        Cost by cost, factor by factor.
    """
    hold = extended_hold(survival, COUNTED_DAYS)
    checked = _checked_costs(offers, costs, len(hold))
    exposures = _exposures(hold, offers, told)
    base = _weigh(hold, tuple(offers), costs.currency, checked, exposures, risk)
    ceiling = min(offer.to_pay.amount for offer in offers)
    changes = []
    for name in _WHY:
        for factor in (0.5, 2.0):
            altered = {**checked, name: checked[name] * factor}
            altered["return_value"] = np.minimum(altered["return_value"], ceiling)
            plan = _weigh(hold, base.offers, costs.currency, altered, exposures, risk)
            changes.append(CostChange(name, factor, plan, _differs(base, plan)))
    return changes


def _differs(one: OrderPlan, other: OrderPlan) -> Bools:
    return np.asarray((one.best_offer != other.best_offer) | (one.best_day != other.best_day))


def _checked_costs(offers: Sequence[Offer], costs: Costs, cases: int) -> dict[str, Floats]:
    if not offers:
        raise BadInput.one("offers", "is empty.", "Give at least one supplier with a price and a lead time.")
    one_currency([costs.currency, *(offer.to_pay.currency for offer in offers)], "costs.currency")
    named = {name: (getattr(costs, name), why) for name, why in _WHY.items()}
    checked = asked_for(named, cases)
    cheapest = min(offers, key=lambda offer: offer.to_pay.amount)
    if cheapest.to_pay.amount < 0 or (checked["return_value"] > cheapest.to_pay.amount).any():
        raise BadInput.one(
            "costs.return_value",
            f"is above what {cheapest.supplier} asks ({cheapest.to_pay}): every pack bought would be a gain.",
            "Give what the pack is still worth, at most its price.",
        )
    return checked


def _exposures(hold: Floats, offers: Sequence[Offer], told: Floats | None) -> _Exposures:
    longest = max(len(offer.lead_time.probability) for offer in offers)
    past = np.zeros((len(hold), longest))
    early = np.cumsum(hold[:, :-1][:, ::-1], axis=1)[:, ::-1]
    early = np.concatenate([early, np.zeros((len(hold), 1 + longest))], axis=1)
    never = np.concatenate([1 - hold, past + 1 - hold[:, -1:]], axis=1)
    at_once = np.concatenate([1 - hold, past + 1], axis=1)
    spreads = [_spread(offer.lead_time, at_once.shape[1]) for offer in offers]
    means = [offer.lead_time.least_mean_days for offer in offers]

    def exposure(fault: Floats) -> _Exposure:
        standing = np.concatenate([np.zeros((len(hold), 1)), np.cumsum(fault, axis=1)[:, :-1]], axis=1)
        wait = [
            standing @ spread - standing[:, : HORIZON + 1] - mean * fault[:, : HORIZON + 1]
            for spread, mean in zip(spreads, means, strict=True)
        ]
        return _Exposure(
            fault_first=np.stack([fault @ spread for spread in spreads], axis=1),
            days_standing=np.stack(wait, axis=1),
            days_early=np.stack([early @ spread for spread in spreads], axis=1),
        )

    promised, leads = _promised(hold[:, : HORIZON + 1], told), [offer.lead_time for offer in offers]
    no_more = np.concatenate([1 - promised, past + 1 - promised[:, -1:]], axis=1)
    hopeful = np.stack([no_more @ _spread(lead, no_more.shape[1]) for lead in leads], axis=1)
    return _Exposures(exposure(never), exposure(at_once), _fault_first(promised, leads), hopeful)


def _promised(hold: Floats, told: Floats | None) -> Floats:
    return hold if told is None else told_hold(hold, told)


def _fault_first(hold: Floats, lead_times: Sequence[LeadTime]) -> Floats:
    """Return the probability that the fault beats the delivery, at most, for each offer and order day."""
    longest = max(len(lead_time.probability) for lead_time in lead_times)
    at_once = np.concatenate([1 - hold, np.ones((len(hold), longest))], axis=1)
    # Moved to the last column, past every day that counts, open orders meet a fault that is sure to be back.
    sure = [_spread(lead_time, at_once.shape[1], open_at_end=True) for lead_time in lead_times]
    return np.minimum(np.stack([at_once @ spread for spread in sure], axis=1), 1.0)


def _latest(fault_first: Floats, risk: float) -> Integers:
    return np.asarray((fault_first <= risk).sum(axis=2) - 1, dtype=np.int64)


def _require_risk(risk: float) -> None:
    if not 0 < risk < 1:
        raise BadInput.one("risk", f"is {risk}.", "Give the highest acceptable chance, between 0 and 1.")


def _spread(lead_time: LeadTime, columns: int, open_at_end: bool = False) -> Floats:
    """Return the matrix that averages a daily sum over the arrival day q + L, shape (columns, HORIZON + 1).

    Open orders are taken to arrive on the day after the last one known, the least they can be late, or with
    `open_at_end` on the last column whatever the order day.
    """
    weights = np.zeros(columns)
    weights[: len(lead_time.probability)] = lead_time.probability
    if not open_at_end:
        weights[len(lead_time.probability)] += lead_time.open_share
    spread = np.asarray(toeplitz(weights, np.zeros(HORIZON + 1)), dtype=np.float64)
    if open_at_end:
        spread[-1] += lead_time.open_share
    return spread


def _weigh(
    hold: Floats,
    offers: tuple[Offer, ...],
    currency: str,
    costs: dict[str, Floats],
    exposures: _Exposures,
    risk: float,
) -> OrderPlan:
    to_pay = np.array([offer.to_pay.amount for offer in offers])
    wait_days = np.array([offer.lead_time.least_mean_days for offer in offers])
    at_return = to_pay + costs["day_off_road"][:, None] * wait_days
    at_return_offer = at_return.argmin(axis=1)
    cheapest_at_return = at_return.min(axis=1)
    still, end = hold[:, None, : HORIZON + 1], hold[:, -1]

    def cost(exposure: _Exposure) -> Floats:
        each = {name: values[:, None, None] for name, values in costs.items()}
        total = each["stranding"] * exposure.fault_first
        total += each["day_off_road"] * exposure.days_standing
        total += each["capital_per_day"] * exposure.days_early
        total += to_pay[None, :, None] * still
        total += cheapest_at_return[:, None, None] * (1 - still) - each["return_value"] * end[:, None, None]
        return total

    at_most = cost(exposures.most)
    at_return_cost = (1 - end) * (costs["stranding"] + cheapest_at_return)
    offer, day, planned = _cheapest(at_most)
    wait = at_return_cost < planned
    within = exposures.fault_first <= risk
    latest = _latest(exposures.fault_first, risk)
    safe_offer, safe_day, safe_cost = _cheapest(np.where(within, at_most, np.inf))
    none = np.isinf(safe_cost)
    latest_hopeful = _latest(exposures.hopeful, risk)
    return OrderPlan(
        currency=currency,
        offers=offers,
        cost_at_least=cost(exposures.least),
        cost_at_most=at_most,
        at_return_cost=at_return_cost,
        at_return_offer=at_return_offer,
        fault_first_at_most=exposures.fault_first,
        best_offer=np.where(wait, AT_RETURN, offer),
        best_day=np.where(wait, AT_RETURN, day),
        best_cost=np.minimum(at_return_cost, planned),
        safe_offer=np.where(none, exposures.fault_first[:, :, 0].argmin(axis=1), safe_offer),
        safe_day=np.where(none, TOO_LATE, safe_day),
        latest_day=latest,
        horizon_limits=latest_hopeful > latest,
        risk=risk,
    )


def _cheapest(cost: Floats) -> tuple[Integers, Integers, Floats]:
    """Return offer, day and cost of the cheapest plan of each case; among equals the earliest day wins."""
    by_day = cost.transpose(0, 2, 1).reshape(len(cost), cost.shape[1] * cost.shape[2])
    pick = by_day.argmin(axis=1)
    return pick % cost.shape[1], pick // cost.shape[1], by_day[np.arange(len(cost)), pick]
