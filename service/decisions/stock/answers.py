"""From a question about stock to its answer: the one path behind REST, the command line and the pages."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.base import counts
from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.calibration.conformal import told_hold
from models.decisions.money import asked_for
from models.decisions.stock import critical_ratio, lead_time_demand, stock_for_service, stock_of
from models.decisions.words import in_100
from models.packs.family import PackFamily
from service.core.cautions import all_cautions, shared_chemistry
from service.core.translation import N_, _, ngettext
from service.decisions.basis.costs import costs_here
from service.decisions.basis.lead_times import offer_lead_time, on_order, standing_offers
from service.decisions.basis.left_out import not_counted, without_forecast_said
from service.decisions.basis.needs_pack import needing_pack, orders_for, waiting_for_pack
from service.decisions.basis.open_cases import open_cases, open_curves
from service.decisions.basis.ordered import ordered_for, state_of
from service.decisions.ordering.answers import range_of
from service.decisions.ordering.offers import in_currency
from service.decisions.stock.schemas import StockAnswer, StockLevel, StockRequest
from service.forecasting.issued.scores import days_between, not_weighed
from service.store.schema import Delivery, Offer, Pack, Score, TopUp

LOOKED_BACK: Final = timedelta(days=365)
"""New cases are counted over so long, or over the record if it is shorter."""

_QUEUED: Final = N_(
    "The open cases weighed are the entries of the order queue: no pack is on order for them. A pack that is ordered "
    "there for one of them leaves this count: order it once, there or for the shelf."
)

_LEAST_DAYS: Final = 30.0
_WHY: Final = {
    "day_off_road": N_(
        "It is what each day costs while a vehicle stands for want of a pack: it counts against holding too few."
    ),
    "capital_per_day": N_("It is what each day costs while a pack lies unneeded: it counts against holding too many."),
}


def stock_of_family(
    session: Session, family: str, asked: StockRequest, now: datetime, families: Mapping[str, PackFamily]
) -> StockAnswer:
    """Say how many packs of a family to hold until one ordered today would come.

    A pack too few lets a vehicle stand until the next one comes, a pack too many lies for as long: with one lead time
    in both, the ratio is that of a day off the road to a day of capital.

    Raises
    ------
    BadInput
        There is no offer to fill the shelf from, a cost is missing, or too little is recorded to count new cases.
    """
    costs = costs_here(session, asked.costs)
    amounts = asked_for({name: (costs.amounts[name], _(why)) for name, why in _WHY.items()}, 1)
    short, surplus = (float(amounts[name][0]) for name in _WHY)
    if not short and not surplus:
        raise BadInput.one(
            "costs.day_off_road",
            _("and capital_per_day are both 0: nothing says whether a pack too few or one too many is to be avoided."),
            _("State at least one of them."),
        )
    offer, left_out = _offer(session, family, asked.offer_id, costs.currency, now)
    lead_time = offer_lead_time(session, offer, now)
    curves = _waiting(session, family, now, families)
    rate, rate_basis = (
        _new_cases(session, family, now)
        if asked.new_cases_per_day is None
        else (asked.new_cases_per_day, _("New cases a day as stated with the question."))
    )
    demand = lead_time_demand(curves, lead_time, rate)
    coming = session.scalar(
        select(func.count())
        .select_from(Delivery)
        .where(Delivery.family == family, Delivery.pack_id.is_(None), Delivery.arrived_at.is_(None))
    )
    ratio = critical_ratio(short, surplus)
    mean = lead_time.least_mean_days
    best = stock_for_service(demand, ratio, asked.on_shelf + int(coming or 0))
    levels = []
    for packs in range(max(best.packs - 2, 0), best.packs + 3):
        level = stock_of(demand, packs)
        levels.append(
            StockLevel(
                packs=packs,
                covers=level.service,
                shortage=level.shortage,
                surplus=level.surplus,
                cost=level.cost(short * mean, surplus * mean),
            )
        )
    hold = (
        ngettext(
            "Hold at least %(packs)s pack of the family %(family)s, on the shelf and on order together: that is "
            "enough for %(share)s waits for a delivery from %(supplier)s.",
            "Hold at least %(packs)s packs of the family %(family)s, on the shelf and on order together: that is "
            "enough for %(share)s waits for a delivery from %(supplier)s.",
            best.packs,
        )
        if demand.unclaimed > 0
        else ngettext(
            "Hold %(packs)s pack of the family %(family)s, on the shelf and on order together: that is enough "
            "for %(share)s waits for a delivery from %(supplier)s.",
            "Hold %(packs)s packs of the family %(family)s, on the shelf and on order together: that is enough "
            "for %(share)s waits for a delivery from %(supplier)s.",
            best.packs,
        )
    ) % {
        "packs": best.packs,
        "family": family,
        "share": _(in_100(best.service)),
        "supplier": offer.supplier_id,
    }
    needed = needing_pack(session, families, now, [Pack.family == family])
    arrived = {
        one.pack_id for one in ordered_for(session, now, [Score.family == family]).values() if one.state == "arrived"
    }
    arrived |= {
        pack for pack, order in orders_for(session, needed, now).items() if state_of(order.arrived_at, now) == "arrived"
    }
    beside = [
        *_kept_for_vehicles(len(arrived)),
        *not_counted(session, [Score.family == family], now),
        *without_forecast_said(session, [Pack.family == family], now),
    ]
    return StockAnswer(
        family=family,
        as_of=now,
        offer_id=offer.id,
        supplier=offer.supplier_id,
        lead_days=range_of(lead_time),
        currency=costs.currency,
        ratio=ratio,
        open_cases=len(curves),
        from_open_cases=demand.from_open_cases,
        new_cases_per_day=rate,
        expected_demand=demand.mean,
        unclaimed=demand.unclaimed,
        on_shelf=asked.on_shelf,
        on_order=int(coming or 0),
        arrived_for_vehicles=len(arrived),
        hold=best.packs,
        to_order=best.to_order,
        levels=levels,
        sentence=" ".join([hold, _to_order(best.to_order), *beside]),
        basis=[_(_QUEUED), _(lead_time.basis), rate_basis, costs.source, *left_out],
        cautions=all_cautions(shared_chemistry(families, [family])),
    )


def _kept_for_vehicles(count: int) -> list[str]:
    """Say how many of the packs that lie there are no stock: each came for a vehicle that does not count either."""
    if not count:
        return []
    said = ngettext(
        "%(count)s pack that came for a vehicle waits to be fitted: do not count it on the shelf.",
        "%(count)s packs that came for vehicles wait to be fitted: do not count them on the shelf.",
        count,
    )
    return [said % {"count": count}]


def _to_order(count: int) -> str:
    return (
        _("Nothing is to be ordered for the shelf now.") if count == 0 else _("Order %(count)s now.") % {"count": count}
    )


def _waiting(session: Session, family: str, now: datetime, families: Mapping[str, PackFamily]) -> Floats:
    """Return the hold curves of the vehicles of a family for which no pack is on order, shape (n, len(DAYS)).

    They are the entries of the order queue. One that has to be looked at first is none: what is found there may be no
    reason for another pack. One whose pack has to be replaced whatever its curve wants another at once.
    """
    was_ordered = Score.pack_id.in_(select(Delivery.pack_id).where(Delivery.pack_id.is_not(None)))
    weighed = [Score.family == family, ~not_weighed()]
    some = open_cases(session, now, [*weighed, was_ordered])
    ordered = on_order(session, some.topped_at, now)
    some = some.take([place for place, case in enumerate(some.cases) if case.pack_id not in ordered])
    others = open_curves(session, now, [*weighed, ~was_ordered])
    needed = waiting_for_pack(session, families, now, [Pack.family == family])
    at_once = np.tile(np.where(DAYS > 0, 0.0, 1.0), (len(needed), 1))
    return np.concatenate([some.promised, told_hold(others.survival(), others.told()), at_once])


def _offer(
    session: Session, family: str, number: int | None, currency: str, now: datetime
) -> tuple[Offer, tuple[str, ...]]:
    """Return the offer asked for, or the cheapest; and of those in another currency that they were left out."""
    found = standing_offers(session, family, now)
    if number is not None:
        chosen = [offer for offer in found if offer.id == number]
        if not chosen:
            known = ", ".join(str(offer.id) for offer in found) or _("none")
            raise BadInput.one(
                "offer_id",
                _("is %(number)s, which is not an offer for a pack of the family %(family)s that stands today.")
                % {"number": number, "family": family},
                _("Offers that stand: %(known)s.") % {"known": known},
            )
        return chosen[0], ()
    found, left_out = in_currency(found, currency)
    if not found:
        raise BadInput.one(
            "offers",
            _("The store has no offer for a pack of the family %(family)s that stands today in %(currency)s.")
            % {"family": family, "currency": currency},
            _("Enter at least one, with a price and a usual number of days."),
        )
    return min(found, key=lambda offer: (offer.price + (offer.express_fee or 0), offer.id)), left_out


def _new_cases(session: Session, family: str, now: datetime) -> tuple[float, str]:
    """Return new cases a day: packs whose first top-up lies within the time looked back on."""
    first = (
        select(TopUp.pack_id, func.min(TopUp.time).label("time"))
        .join(Pack, Pack.id == TopUp.pack_id)
        .where(Pack.family == family, TopUp.time <= now)
        .group_by(TopUp.pack_id)
        .subquery()
    )
    since = now - LOOKED_BACK
    begin = session.scalar(select(func.min(first.c.time)))
    count = session.scalar(select(func.count()).select_from(first).where(first.c.time > since)) or 0
    days = 0.0 if begin is None else min(days_between(begin, now), LOOKED_BACK.days)
    if days < _LEAST_DAYS:
        raise BadInput.one(
            "new_cases_per_day",
            _("is not given, and the record of the family %(family)s is only %(days)s long.")
            % {"family": family, "days": _(counts.days(days))},
            _("State how many packs a day come in anew on average, for example 0.1 for one in ten days."),
        )
    said = ngettext(
        "%(count)s pack of the family %(family)s came in for the first time within %(days)s.",
        "%(count)s packs of the family %(family)s came in for the first time within %(days)s.",
        count,
    )
    return count / days, said % {"count": count, "family": family, "days": _(counts.days(days))}
