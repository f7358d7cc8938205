"""From a question about ordering to its answer: the one path behind REST, the command line and the pages."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
from sqlalchemy.orm import Session

from models.decisions.lead_time import LeadTime
from models.decisions.money import Money
from models.decisions.order_queue import QueueEntry, order_queue
from models.decisions.ordering import (
    AT_RETURN,
    Costs,
    OrderPlan,
    cost_sensitivity,
    plan_orders_on_band,
)
from models.decisions.release import release_risk
from models.forecaster import Forecaster
from models.forecasts.withheld import undecided_by, withheld_by
from models.packs.cautions import Chemistry
from models.packs.family import PackFamily
from service.core.cautions import all_cautions
from service.core.refusals import Conflict
from service.core.translation import N_, _, translated
from service.decisions.basis.costs import KnownCosts, costs_here, known_costs
from service.decisions.basis.lead_times import OnOrder, on_order
from service.decisions.basis.open_cases import OpenCases, open_case
from service.decisions.basis.sentences import (
    SINCE_SEEN,
    WAITING_TO_ORDER,
    look_first_of,
    newer_recorded,
    read_first_at,
    rests_on,
)
from service.decisions.ordering.last_day import last_day_said
from service.decisions.ordering.offers import KnownOffer, Offers, sent_offers, stored_offers
from service.decisions.ordering.schemas import (
    Choice,
    OfferWeighed,
    OrdersAnswer,
    OrdersCase,
    OrdersRequest,
    PackOnOrder,
    Sensitivity,
)
from service.decisions.release.schemas import EarlyToLate
from service.forecasting.forecasts.answers import answer
from service.forecasting.forecasts.cases import family_of, require_still_out
from service.forecasting.forecasts.last_seen import (
    age_of,
    asked_of_today,
    counts_from_today,
    require_seen_lately,
    unseen_since,
)
from service.forecasting.forecasts.sentences import look_first, read_first
from service.records.history import chemistry_unless_stopped

COSTS_OF_ORDERING: Final = ("stranding", "day_off_road", "capital_per_day", "return_value")
ASSUMPTION: Final = N_(
    "Costs are counted for 180 days. The forecast ends after 90: from there on packs are taken to fail as often as in "
    "its last days, which is an assumption."
)

UNLEARNED: Final = N_(
    "While no return of yours is learned, ordering at once from the ordinary supplier may cost less than these orders: "
    "on two sets of packs that others simulated, 3 and 8% less. With 25 learned the two cost about the same."
)
"""Measured by `tests/benchmarks/bench_account_year.py`; figures in `tests/studies/decisions.md`."""


def orders_of_pack(
    session: Session, pack_id: str, asked: OrdersRequest, now: datetime, families: Mapping[str, PackFamily]
) -> OrdersAnswer:
    """Weigh every standing offer of the store for one open case.

    Raises
    ------
    NoSuchRecord, Conflict
        As for `service.decisions.basis.open_cases.open_case`.
    BadInput
        A cost is missing, there is no offer, or currencies are mixed.
    """
    chemistry = chemistry_unless_stopped(session, pack_id, families, now)
    case = open_case(session, pack_id, now)
    costs = costs_here(session, asked.costs)
    offers = stored_offers(session, case.cases[0].family, costs, now)
    ordered = on_order(session, case.topped_at, now).get(pack_id)
    on_its_way = None if ordered is None else told_on_order(case, ordered)
    first = look_first_of(session, case.cases[0], now)
    if case.cases[0].held_back or newer_recorded(session, case.cases[0], now):
        raise _not_weighed([*first, *read_first_at(case.cases[0])], on_its_way)
    return _weigh(case, offers, costs, asked.risk, now, on_its_way, chemistry, first)


def orders_of_history(
    asked: OrdersCase,
    forecaster: Forecaster,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    now: datetime | None = None,
) -> OrdersAnswer:
    """Weigh offers that were sent along, for a pack that was sent along; day 0 is today, or the day that was named.

    Raises
    ------
    BadInput, OutOfReach, Stopped, Conflict
        As for `service.forecasting.forecasts.answers.answer` and `orders_of_pack`.
    """
    costs = known_costs(asked.costs, None)
    offers = sent_offers(asked.offers)
    require_still_out(asked.case)
    case = asked_of_today(asked.case, now)
    forecast = answer(case, forecaster, families, threads=threads, now=now)
    forecast.flags[:0] = [flag for flag in age_of(asked.case, now) if flag not in forecast.flags]
    sent = OpenCases.sent(forecast, case.history)
    require_seen_lately(forecast.pack_id, sent.cases[0].seen_at, forecast.origin)
    aged = unseen_since(sent.cases[0].seen_at, forecast.origin) if asked.case.at is not None else []
    first = [*look_first(forecast.flags), *aged, *counts_from_today(asked.case, now)]
    if undecided_by(withheld_by(forecast.flags)):
        raise _not_weighed([*look_first(forecast.flags), *read_first(forecast.flags)], None)
    chemistry = family_of(case, families, now).chemistry
    return _weigh(sent, offers, costs, asked.risk, forecast.origin, None, chemistry, first)


def _not_weighed(first: list[str], ordered: PackOnOrder | None) -> Conflict:
    """Refuse to weigh offers by figures that are withheld, as the queue does; with what comes first instead."""
    if ordered is not None:
        return Conflict(" ".join([*first, _ordered_already(ordered)]))
    last = _("No offer is weighed before that: it may turn out that no other pack is needed.")
    return Conflict(" ".join([*first, last]))


def _ordered_already(ordered: PackOnOrder) -> str:
    if ordered.arrived_at is not None:
        return _("The pack is here and waits to be fitted: order nothing more.")
    said = _("A pack is ordered already, from %(supplier)s on %(day)s: order nothing more.")
    return said % {"supplier": ordered.supplier, "day": ordered.ordered_at.date().isoformat()}


def told_on_order(case: OpenCases | None, ordered: OnOrder) -> PackOnOrder:
    """Say when a pack on order may come, and how likely the fault beats it; not that without a case to weigh."""
    days = chance = None
    if ordered.lead_time is not None:
        days = range_of(ordered.lead_time)
    if case is not None and ordered.lead_time is not None:
        chance = 1 - float(release_risk(case.promised, ordered.lead_time).get_there[0])
    return PackOnOrder(
        delivery_id=ordered.delivery_id,
        supplier=ordered.supplier,
        ordered_at=ordered.ordered_at,
        arrived_at=ordered.arrived_at,
        days=days,
        fault_first=chance,
        basis=ordered.said,
    )


def range_of(lead_time: LeadTime) -> EarlyToLate:
    """Return early, middle and late day of a lead time."""
    early, middle, late = (lead_time.quantile(share) for share in (0.05, 0.5, 0.95))
    return EarlyToLate(early=early, middle=middle, late=late)


def costs_used(costs: KnownCosts, names: tuple[str, ...]) -> dict[str, float]:
    """Return the costs a decision was made with; by then none of them is missing."""
    return {name: value for name in names if (value := costs.amounts[name]) is not None}


def latest(day: int) -> int | None:
    """Return a latest order day, None if today is too late."""
    return None if day < 0 else day


def _weigh(
    case: OpenCases,
    offers: Offers,
    costs: KnownCosts,
    risk: float,
    now: datetime,
    ordered: PackOnOrder | None,
    chemistry: Chemistry | None,
    first: list[str],
) -> OrdersAnswer:
    one, today = case.cases[0], now.date()
    stated = Costs(costs.currency, **costs.only(*COSTS_OF_ORDERING))
    band = plan_orders_on_band(case.survival, case.band_low, case.band_high, offers.plain, stated, risk, case.told)
    plan = band.middle
    (entry,) = order_queue([one.name], band)
    changes = cost_sensitivity(case.survival, offers.plain, stated, risk, told=case.told)
    safe_day = int(plan.safe_day[0])
    return OrdersAnswer(
        pack_id=one.pack_id,
        vehicle_id=one.vehicle_id,
        family=one.family,
        as_of=now,
        model_id=one.model_id,
        forecast_id=one.forecast_id,
        forecast_origin=one.origin,
        currency=costs.currency,
        risk=risk,
        costs=costs_used(costs, COSTS_OF_ORDERING),
        first=[
            *([] if ordered is None else [_ordered_already(ordered), _("Offers are weighed as if it were not.")]),
            *first,
        ],
        offers=[
            _weighed(known, place, plan, (band.pessimistic, band.optimistic), today)
            for place, known in enumerate(offers.known)
        ],
        order=_choice(plan, entry.offer, max(entry.order_day, 0), today),
        cheapest=cheapest(plan, today),
        safe=None if safe_day < 0 else _choice(plan, int(plan.safe_offer[0]), safe_day, today),
        keeps_to_risk=safe_day >= 0,
        at_return_cost=float(plan.at_return_cost[0]),
        reasons=reasons_of(entry, offers, costs.currency),
        if_it_holds_less=cheapest(band.pessimistic, today),
        if_it_holds_longer=cheapest(band.optimistic, today),
        depends_on_band=bool(band.depends_on_band[0]),
        sensitivity=[
            Sensitivity(
                cost=change.cost,
                factor=change.factor,
                changed=bool(change.changed[0]),
                cheapest=cheapest(change.plan, today),
            )
            for change in changes
        ],
        on_order=ordered,
        basis=[
            rests_on(one),
            costs.source,
            _(SINCE_SEEN),
            _(ASSUMPTION),
            _(UNLEARNED),
            _(WAITING_TO_ORDER),
            *offers.old,
        ],
        left_out=list(offers.left_out),
        cautions=all_cautions(chemistry),
    )


def _weighed(
    known: KnownOffer, place: int, plan: OrderPlan, edges: tuple[OrderPlan, OrderPlan], today: date
) -> OfferWeighed:
    offer, cost = known.offer, plan.cost_at_most[0, place]
    best, last = int(cost.argmin()), latest(int(plan.latest_day[0, place]))
    latest_on = None if last is None else today + timedelta(days=last)
    low, high = (latest(int(edge.latest_day[0, place])) for edge in edges)
    return OfferWeighed(
        offer_id=known.number,
        supplier=known.supplier,
        name=offer.supplier,
        express=offer.express_fee is not None,
        price=offer.price.amount,
        express_fee=None if offer.express_fee is None else offer.express_fee.amount,
        to_pay=offer.to_pay.amount,
        lead_days=range_of(offer.lead_time),
        basis=_(offer.lead_time.basis),
        best_day=best,
        best_cost=float(cost[best]),
        today_cost=float(cost[0]),
        fault_first_today=float(plan.fault_first_at_most[0, place, 0]),
        latest_day=last,
        latest_on=latest_on,
        last_day=last_day_said(latest_on, today),
        latest_day_band=(low, high),
        horizon_limits=bool(plan.horizon_limits[0, place]),
        cost_at_least=np.asarray(plan.cost_at_least[0, place]).tolist(),
        cost_at_most=cost.tolist(),
        fault_first=np.asarray(plan.fault_first_at_most[0, place]).tolist(),
    )


def reasons_of(entry: QueueEntry, offers: Offers, currency: str) -> list[str]:
    """Say why; of an offer that comes nearest or is chosen, among which offers it does."""
    first, *others = translated(entry.reasons)
    return [" ".join([first, *offers.of_which(currency)]), *others]


def cheapest(plan: OrderPlan, today: date) -> Choice:
    """Return what is cheapest for a case of a plan."""
    return _choice(plan, int(plan.best_offer[0]), int(plan.best_day[0]), today)


def _choice(plan: OrderPlan, offer: int, day: int, today: date) -> Choice:
    if offer == AT_RETURN:
        supplier = plan.offers[int(plan.at_return_offer[0])].supplier
        cost = float(plan.at_return_cost[0])
        words = {"supplier": supplier, "cost": Money(cost, plan.currency).whole()}
        said = _("Order only when the fault returns, then from %(supplier)s: %(cost)s expected.") % words
        return Choice(offer=None, supplier=supplier, day=None, on=None, cost=cost, sentence=said)
    supplier, cost = plan.offers[offer].supplier, float(plan.cost_at_most[0, offer, day])
    on = today + timedelta(days=day)
    told = Money(cost, plan.currency).whole()
    words = {"supplier": supplier, "cost": told, "date": on.isoformat(), "day": str(day)}
    said = (
        _("Order from %(supplier)s today: %(cost)s expected.")
        if day == 0
        else _("Order from %(supplier)s on %(date)s (day %(day)s): %(cost)s expected.")
    ) % words
    return Choice(offer=offer, supplier=supplier, day=day, on=on, cost=cost, sentence=said)
