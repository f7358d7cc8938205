"""How long a replacement pack takes to come, as probabilities on whole days.

A quote and a supplier's own record are one estimate, not two: the record moves the quote, the more the longer it is.
With prior hazards from the quote, counted as `quote_weight` past deliveries, the hazard of arriving on day t is

    (w f(t) + arrived(t)) / (w S(t-1) + still waited for(t)),

the posterior mean under a beta-process prior (Hjort 1990, Annals of Statistics 18(3), 1259-1294; from memory,
unverified). Without a record it is the quote; without a quote it is Kaplan and Meier's estimate, in which an order
that is still open counts for as long as it has been waited for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import beta

from models.base.arrays import Floats, Integers
from models.base.counts import days as say_days
from models.base.errors import BadInput, Problem
from models.base.messages import Said, say, say_count, say_together
from models.decisions.words import in_100

QUOTE_WEIGHT: Final = 5.0
"""Past deliveries that a quote counts for. Our choice, no source: five own deliveries weigh as much as the quote."""

OPEN_SLIP: Final = 0.5
"""By what share of the days quoted an order that is open may come earlier or later, where the supplier gave no bounds.
Invented: nothing on record tells how exact a bare number of days is meant."""

MAX_LEAD_DAYS: Final = 730
"""Longer lead times are taken for a slip (hours, or a wrong date). Unit: days."""


@dataclass(frozen=True)
class Quote:
    """What a supplier says.

    Attributes
    ----------
    usual_days : int
        Days from order to arrival that the supplier calls usual.
    earliest_days, latest_days : int, optional
        The supplier's own bounds; a missing bound is taken as the usual day, and said so.
    """

    usual_days: int
    earliest_days: int | None = None
    latest_days: int | None = None


@dataclass(frozen=True)
class Delivery:
    """One past order.

    Attributes
    ----------
    days : int
        Days from the order to its arrival, or to today while it is still open.
    arrived : bool
        False while the order is open.
    """

    days: int
    arrived: bool = True


@dataclass(frozen=True, eq=False)
class LeadTime:
    """Days from an order to the arrival of the pack.

    Attributes
    ----------
    probability : array, shape (d + 1,)
        Probability of arriving on day 0, 1 … d.
    open_share : float
        Probability of arriving after day d, about which the record says nothing more.
    basis : str
        What the figures rest on, in a sentence.
    """

    probability: Floats
    open_share: float
    basis: str

    @classmethod
    def on(cls, day: int, basis: str) -> Self:
        """Return a lead time of exactly so many days."""
        probability = np.zeros(_whole_days(day, "day") + 1)
        probability[-1] = 1.0
        return cls(probability, 0.0, basis)

    @property
    def last_day(self) -> int:
        """Last day about which something is known."""
        return len(self.probability) - 1

    @property
    def least_mean_days(self) -> float:
        """Mean days; with an open share its least value, the open orders counted as arriving the day after."""
        return float(np.arange(len(self.probability)) @ self.probability + self.open_share * len(self.probability))

    def quantile(self, share: float) -> int | None:
        """Return the first day by which the pack has come with this probability, None if the record ends before."""
        reached = np.cumsum(self.probability) >= share - 1e-12
        return int(np.argmax(reached)) if reached.any() else None

    def given_waited(self, waited_days: int) -> LeadTime:
        """Return the days still to wait for an order that has been open for some days.

        Parameters
        ----------
        waited_days : int
            Days since the order; it had not arrived by the end of that day.

        Raises
        ------
        BadInput
            If every known order would have come by now: nothing is known of one that has not.
        """
        waited = _whole_days(waited_days, "waited_days")
        if waited == 0:
            return self
        left = self.probability[waited + 1 :]
        total = float(left.sum()) + self.open_share
        if total <= 1e-12 or not len(left):
            raise BadInput.one(
                "waited_days",
                say(
                    "The order has been open for %(days)s, longer than anything quoted or recorded.",
                    days=say_days(waited),
                ),
                say("Ask the supplier for a new date."),
            )
        open_for = say("The order has been open for %(days)s.", days=say_days(waited))
        basis = say_together(self.basis, open_for)
        return LeadTime(np.concatenate([[0.0], left / total]), self.open_share / total, basis)


def quote_of_open(quote: Quote) -> Quote:
    """Spread the quote of an order that is open where it has no bound of its own.

    Taken as exact, an order that has been open for all but one of the days quoted would come tomorrow for sure.
    """
    slip = max(round(OPEN_SLIP * quote.usual_days), 1)
    return Quote(
        quote.usual_days,
        max(quote.usual_days - slip, 0) if quote.earliest_days is None else quote.earliest_days,
        quote.usual_days + slip if quote.latest_days is None else quote.latest_days,
    )


def lead_time(
    supplier: str,
    quote: Quote | None = None,
    past: Sequence[Delivery] = (),
    quote_weight: float = QUOTE_WEIGHT,
) -> LeadTime:
    """Estimate a supplier's lead time from a quote, a record, or both.

    Parameters
    ----------
    supplier : str
        Name used in sentences.
    quote : Quote, optional
        Spread over its days as a beta distribution of the PERT kind: on the bounds widened by half a day, with the
        usual day as mode and shapes ``1 + 4 (mode - low)/(high - low)`` and ``1 + 4 (high - mode)/(high - low)``
        (Malcolm, Roseboom, Clark & Fazar 1959, Operations Research 7(5)).
    past : sequence of Delivery
        Own past orders with this supplier, the open ones too: leaving those out would flatter a slow supplier.
    quote_weight : float
        How many past deliveries the quote counts for.

    Raises
    ------
    BadInput
        If there is neither a quote nor an order that has arrived, or if a number of days is impossible.
    """
    if quote is None and not any(order.arrived for order in past):
        what = (
            say_count(
                "has no quote, and its one order on record has not arrived: nothing is known of how long a pack takes.",
                "has no quote, and none of its %(count)s orders on record has arrived: nothing is known of how long a "
                "pack takes.",
                len(past),
                count=len(past),
            )
            if past
            else say("has neither a quote nor a delivery on record: nothing is known of how long a pack takes.")
        )
        mend = say("Ask for a usual number of days, or enter one past order with the day it arrived.")
        raise BadInput.one(f"lead time of {supplier}", what, mend)
    if not (np.isfinite(quote_weight) and quote_weight > 0):
        raise BadInput.one("quote_weight", f"is {quote_weight}.", "Give the past deliveries it counts for, above 0.")
    found = [p for i, order in enumerate(past) for p in _day_problems(order.days, f"past[{i}].days")]
    if found:
        raise BadInput(found)

    prior, quoted = _quoted(quote, alone=not past) if quote else (np.zeros(0), say("No quote."))
    orders = np.array([order.days for order in past], dtype=np.int64)
    arrived = np.array([order.arrived for order in past], dtype=bool)
    length = max(len(prior), int(orders.max()) + 1 if len(orders) else 0)
    share = np.zeros(length)
    share[: len(prior)] = prior * quote_weight
    expected = share[::-1].cumsum()[::-1]
    came = np.bincount(orders[arrived], minlength=length)
    waited_for = np.bincount(orders, minlength=length)[::-1].cumsum()[::-1]
    hazard = np.divide(share + came, expected + waited_for)
    still_open = np.cumprod(1 - np.clip(hazard, 0.0, 1.0))
    probability = -np.diff(still_open, prepend=1.0)
    open_share = float(still_open[-1]) if still_open[-1] > 1e-12 else 0.0
    basis: list[Said] = [say("%(supplier)s: %(quoted)s", supplier=supplier, quoted=quoted)]
    if past:
        basis.append(_recorded(len(past), int((~arrived).sum()), quote_weight if quote else None))
    if quote is not None and (slow := _longer_than_quoted(quote, past)) is not None:
        basis.append(slow)
    if open_share:
        late = say(
            "In %(chance)s the pack comes after day %(day)s; the record does not say how long after.",
            chance=in_100(open_share),
            day=length - 1,
        )
        basis.append(late)
    return LeadTime(probability, open_share, say_together(*basis))


def _longer_than_quoted(quote: Quote, past: Sequence[Delivery]) -> Said | None:
    """Name the longest own order where it is far past the quote: one wrong date would carry every estimate with it."""
    late = quote_of_open(quote).latest_days
    longest = max((order.days for order in past), default=0)
    if late is None or longest <= late:
        return None
    return say(
        "The longest of them took, or has waited, %(days)s: check that its dates are right.", days=say_days(longest)
    )


def _recorded(orders: int, still_open: int, quote_weight: float | None) -> Said:
    """Say how many own orders are on record, and what a quote counts for beside them."""
    if quote_weight is None:
        return say_count(
            "%(orders)s own order on record, still open: %(open)s.",
            "%(orders)s own orders on record, still open: %(open)s.",
            orders,
            orders=orders,
            open=still_open,
        )
    return say_count(
        "%(orders)s own order on record, still open: %(open)s; the quote counts for %(weight)s.",
        "%(orders)s own orders on record, still open: %(open)s; the quote counts for %(weight)s.",
        orders,
        orders=orders,
        open=still_open,
        weight=f"{quote_weight:g}",
    )


def arrival_matrix(arrivals: LeadTime | Sequence[LeadTime], cases: int) -> tuple[Floats, Floats, Integers]:
    """Lay the arrivals of all cases side by side.

    Parameters
    ----------
    arrivals : LeadTime or sequence of LeadTime
        One for all cases, or one a case.

    Returns
    -------
    probability : array, shape (cases, d + 1)
    open_share : array, shape (cases,)
    last_day : array of int, shape (cases,)
        Of each record; columns after it are 0.

    Raises
    ------
    BadInput
        If their number is not the number of cases.
    """
    each = [arrivals] * cases if isinstance(arrivals, LeadTime) else list(arrivals)
    if len(each) != cases:
        raise BadInput.one("arrivals", f"holds {len(each)} for {cases} cases.", "Give one for all cases or one each.")
    probability = np.zeros((cases, max((a.last_day for a in each), default=0) + 1))
    for row, arrival in zip(probability, each, strict=True):
        row[: arrival.last_day + 1] = arrival.probability
    open_share = np.array([a.open_share for a in each], dtype=np.float64)
    return probability, open_share, np.array([a.last_day for a in each], dtype=np.int64)


def _quoted(quote: Quote, *, alone: bool) -> tuple[Floats, Said]:
    """Spread a quote over its days, and say what was taken for granted where nothing else is known."""
    low = quote.usual_days if quote.earliest_days is None else quote.earliest_days
    high = quote.usual_days if quote.latest_days is None else quote.latest_days
    named = (("earliest_days", low), ("usual_days", quote.usual_days), ("latest_days", high))
    found = [p for name, value in named for p in _day_problems(value, f"quote.{name}")]
    if not found and not low <= quote.usual_days <= high:
        found.append(
            Problem(
                "quote",
                f"earliest {low}, usual {quote.usual_days} and latest {high} days are not in order.",
                "Give earliest, usual and latest so that none is longer than the next.",
            )
        )
    if found:
        raise BadInput(found)
    probability = np.zeros(high + 1)
    if low == high:
        probability[high] = 1.0
    else:
        width = high - low + 1.0
        rise, fall = (1 + 4 * (quote.usual_days - low + 0.5) / width, 1 + 4 * (high - quote.usual_days + 0.5) / width)
        edges: ArrayLike = np.linspace(0.0, 1.0, high - low + 2)
        probability[low:] = np.diff(beta.cdf(edges, rise, fall))
    usual = say_days(quote.usual_days)
    if quote.earliest_days is None and quote.latest_days is None:
        if not alone:
            return probability, say("Quoted %(usual)s, without an earliest and latest day.", usual=usual)
        exact = say("Quoted %(usual)s, taken as exact because no earliest and latest day were given.", usual=usual)
        return probability, exact
    return probability, say("Quoted %(usual)s, %(low)s to %(high)s.", usual=usual, low=low, high=high)


def _day_problems(value: int, where: str) -> list[Problem]:
    if value != int(value) or not 0 <= value <= MAX_LEAD_DAYS:
        what = f"A pack does not come in {value} days."
        return [Problem(where, what, f"Give whole days between 0 and {MAX_LEAD_DAYS}, at most two years.")]
    return []


def _whole_days(value: int, where: str) -> int:
    if found := _day_problems(value, where):
        raise BadInput(found)
    return int(value)
