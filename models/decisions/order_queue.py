"""Open cases in the order in which they need a pack ordered, each with its reasons in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from models.base.errors import BadInput
from models.base.messages import Said, say, say_together
from models.base.percents import level_percent, risk_percent
from models.decisions.hold_curves import HORIZON
from models.decisions.money import Money, one_currency
from models.decisions.ordering import AT_RETURN, TOO_LATE, OrderPlan, OrderPlanBand

_WEEK: Final = 7


@dataclass(frozen=True)
class QueueEntry:
    """One open case in the queue.

    Attributes
    ----------
    row : int
        Row of the case in the plan.
    supplier : str
        Of the offer to use.
    offer : int
        Its place among the offers.
    order_day : int
        Cheapest day on which to place it at the chosen risk; `TOO_LATE` if even today is too late.
    latest_day : int
        Last day on which it can be ordered at the chosen risk; `TOO_LATE` if even today is too late.
    latest_day_pessimistic, latest_day_optimistic : int
        The same on the edges of the forecast's band (equal to `latest_day` if there is no band).
    fault_first_today : float
        Chance that the fault beats this offer if it is ordered today, arrivals past the horizon counted as beaten.
    cheapest_day : int
        Cheapest order day over all offers whatever the risk; `AT_RETURN` if ordering only at the return is cheapest.
    expected_cost : Money
        Of that cheapest plan.
    week_later : Money
        What ordering this offer a week from today instead of today adds to the expected cost; may be negative.
    reasons : tuple of str
        Days are counted from today.
    """

    case: str
    row: int
    supplier: str
    offer: int
    order_day: int
    latest_day: int
    latest_day_pessimistic: int
    latest_day_optimistic: int
    fault_first_today: float
    cheapest_day: int
    expected_cost: Money
    week_later: Money
    reasons: tuple[str, ...]


def order_queue(cases: Sequence[str], plan: OrderPlan | OrderPlanBand) -> list[QueueEntry]:
    """Queue the open cases by the latest day on which their pack must be ordered.

    Each case stands with the cheapest order that keeps to the chosen risk, or, where none does, with the offer that
    is likeliest to come before the fault. Of two cases with the same latest day, the one that loses more by a week's
    wait comes first, then the one whose name sorts first.

    Parameters
    ----------
    cases : sequence of str, length n
        Names, in the order of the plan's rows.

    Raises
    ------
    BadInput
        If names and rows differ in number.
    """
    middle, low, high = (
        (plan, plan, plan) if isinstance(plan, OrderPlan) else (plan.middle, plan.pessimistic, plan.optimistic)
    )
    count = len(middle.best_day)
    if len(cases) != count:
        raise BadInput.one("cases", f"holds {len(cases)} names for {count} rows.", "Give one name for each case.")
    entries = []
    for row, case in enumerate(cases):
        offer = int(middle.safe_offer[row])
        costs = middle.cost_at_most[row, offer]
        entry = QueueEntry(
            case=case,
            row=row,
            supplier=middle.offers[offer].supplier,
            offer=offer,
            order_day=int(middle.safe_day[row]),
            latest_day=int(middle.latest_day[row, offer]),
            latest_day_pessimistic=int(low.latest_day[row, offer]),
            latest_day_optimistic=int(high.latest_day[row, offer]),
            fault_first_today=float(middle.fault_first_at_most[row, offer, 0]),
            cheapest_day=int(middle.best_day[row]),
            expected_cost=Money(float(middle.best_cost[row]), middle.currency),
            week_later=Money(float(costs[_WEEK] - costs[0]), middle.currency),
            reasons=_reasons(middle, row, offer) + _band_reasons(plan, row, offer),
        )
        entries.append(entry)
    return in_order(entries)


def in_order(entries: Iterable[QueueEntry]) -> list[QueueEntry]:
    """Return entries in the order of `order_queue`: those of several plans become one queue.

    Raises
    ------
    BadInput
        If their currencies differ.
    """
    found = list(entries)
    if found:
        one_currency(entry.week_later.currency for entry in found)
    return sorted(found, key=lambda e: (e.latest_day, -e.week_later.amount, e.case))


def _reasons(plan: OrderPlan, row: int, offer: int) -> tuple[str, ...]:
    supplier, latest = plan.offers[offer].supplier, int(plan.latest_day[row, offer])
    today = float(plan.fault_first_at_most[row, offer, 0])
    reasons = []
    if latest == TOO_LATE:
        reasons.append(
            say(
                "No offer keeps to the %(risk)s chosen. %(supplier)s comes nearest: ordered today, the chance that the "
                "fault is back before the pack comes is %(chance)s.",
                risk=level_percent(plan.risk),
                supplier=supplier,
                chance=risk_percent(today),
            )
        )
    else:
        words = {"supplier": supplier, "day": latest, "risk": level_percent(plan.risk), "chance": risk_percent(today)}
        if latest == 0:
            said = say(
                "Ordered from %(supplier)s today, the chance that the fault is back before the pack comes is "
                "%(chance)s; today is the last day that is sure to keep to the %(risk)s chosen.",
                **words,
            )
        else:
            said = say(
                "Ordered from %(supplier)s today, the chance that the fault is back before the pack comes is "
                "%(chance)s; up to day %(day)s it is at most %(risk)s.",
                **words,
            )
        reasons.append(said)
        if plan.horizon_limits[row, offer]:
            reasons.append(
                say(
                    "A later day may do as well, but the pack could then come after day %(day)s, where the forecast "
                    "ends.",
                    day=HORIZON,
                )
            )
    reasons.append(_cost_reason(plan, row))
    return tuple(reasons)


def _cost_reason(plan: OrderPlan, row: int) -> Said:
    best, day = int(plan.best_offer[row]), int(plan.best_day[row])
    cost = Money(float(plan.best_cost[row]), plan.currency).whole()
    # An order that never came on record counts as one day late, so every cost it enters is a least value.
    if any(offer.lead_time.open_share for offer in plan.offers):
        expected = say("at least %(cost)s expected", cost=cost)
    else:
        expected = say("%(cost)s expected", cost=cost)
    if best == AT_RETURN:
        other = Money(float(plan.cost_at_most[row].min()), plan.currency).whole()
        at_return = plan.offers[int(plan.at_return_offer[row])].supplier
        return say(
            "At the costs given it is cheapest to order only when the fault returns, from %(supplier)s: %(expected)s "
            "up to day %(day)s, against %(other)s for the best order placed before.",
            supplier=at_return,
            expected=expected,
            day=HORIZON,
            other=other,
        )
    reason = say("Cheapest at the costs given: %(choice)s; %(expected)s.", choice=_choice(plan, row), expected=expected)
    if plan.fault_first_at_most[row, best, day] > plan.risk:
        return say_together(reason, _past_the_risk(best, day, int(plan.safe_offer[row])))
    return reason


def _past_the_risk(best: int, day: int, surest: int) -> Said:
    """Say of the cheapest order that it goes past the risk, and what was weighed against it: none is before today."""
    if day > 0:
        return say(
            "That goes past the chosen risk: at the costs given, the fault coming back costs less than ordering sooner."
        )
    if best == surest:
        return say("That is over the chosen risk, but no other order is likelier to come before the fault.")
    return say(
        "That goes past the chosen risk: at the costs given, the fault coming back costs less than an offer that comes "
        "sooner."
    )


def _band_reasons(plan: OrderPlan | OrderPlanBand, row: int, offer: int) -> tuple[str, ...]:
    if isinstance(plan, OrderPlan):
        return ()
    low, high = int(plan.pessimistic.latest_day[row, offer]), int(plan.optimistic.latest_day[row, offer])
    reasons = []
    if low != high:
        reasons.append(_band_of_days(low, high))
    if plan.depends_on_band[row]:
        reasons.append(
            say(
                "The cheapest order depends on how long the pack really holds: if less than forecast, %(less)s; if "
                "longer, %(longer)s.",
                less=_choice(plan.pessimistic, row),
                longer=_choice(plan.optimistic, row),
            )
        )
    return tuple(reasons)


def _choice(plan: OrderPlan, row: int) -> Said:
    offer, day = int(plan.best_offer[row]), int(plan.best_day[row])
    if offer == AT_RETURN:
        return say("order only when the fault returns")
    supplier = plan.offers[offer].supplier
    if day == 0:
        return say("order from %(supplier)s today", supplier=supplier)
    return say("order from %(supplier)s on day %(day)s", supplier=supplier, day=day)


def _band_of_days(low: int, high: int) -> Said:
    """Say from when to when the latest order day may lie."""
    if low == TOO_LATE and high == 0:
        return say("The latest day is not sure: it may be today, or past already.")
    if low == TOO_LATE:
        return say("The latest day is not sure: it may be past already, or as late as day %(day)s.", day=high)
    if low == 0:
        return say("The latest day is not sure: it may be today, or as late as day %(day)s.", day=high)
    return say("The latest day is not sure: it may be day %(low)s, or as late as day %(high)s.", low=low, high=high)
