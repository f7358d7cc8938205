"""The queue of all open cases by the latest day on which their pack must be ordered."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.decisions.order_queue import QueueEntry, in_order, order_queue
from models.decisions.ordering import Costs, plan_orders_on_band
from models.packs.family import PackFamily
from service.core.cautions import all_cautions, shared_chemistry
from service.core.translation import N_, _, ngettext, spoken
from service.decisions.basis.costs import costs_here
from service.decisions.basis.lead_times import on_order
from service.decisions.basis.needs_pack import Down, long_down, orders_for, vehicles_down, waiting_for_pack
from service.decisions.basis.open_cases import OpenCase, OpenCases, decided_on, open_cases, without_forecast
from service.decisions.basis.sentences import SINCE_SEEN, WAITING_TO_ORDER, look_first_at
from service.decisions.ordering.answers import (
    ASSUMPTION,
    COSTS_OF_ORDERING,
    UNLEARNED,
    costs_used,
    latest,
    reasons_of,
    told_on_order,
)
from service.decisions.ordering.last_day import last_day_said
from service.decisions.ordering.offers import Offers, lacking_offer, offer_name, offers_by_family, soonest_offer
from service.decisions.ordering.schemas import (
    CaseLeftOut,
    CaseOnOrder,
    OfferLacking,
    QueueAnswer,
    QueueEntryAnswer,
    QueueRequest,
)
from service.forecasting.issued.scores import not_weighed, still_out
from service.records.stopped import UnderStop, under_stop
from service.store.schema import Delivery, Pack, Score

MOST_CASES: Final = 400
"""Cases weighed at once, those whose good-for day comes first; the others can wait longer, and their number is told."""

MOST_LOOKED_AT: Final = 200
"""Cases named that have to be looked at, or read, before a pack is ordered for them."""

MOST_NAMED: Final = 50
"""Cases without a forecast that are named one by one."""

ORDER_OF_QUEUE: Final = N_(
    "Packs of vehicles that are down, and packs that have to be replaced whatever their curve, come first, then all "
    "others in the order of the latest day to order; of those with the same day, the one that loses most by a week's "
    "wait comes first."
)

_SOME: Final = 200


def queue_of_cases(
    session: Session, asked: QueueRequest, now: datetime, families: Mapping[str, PackFamily]
) -> QueueAnswer:
    """Queue the open cases by the latest day on which their pack must be ordered.

    Raises
    ------
    BadInput
        A cost is missing. Packs of which nobody has entered an offer are left out, by name.
    """
    costs = costs_here(session, asked.costs)
    stated = Costs(costs.currency, **costs.only(*COSTS_OF_ORDERING))
    conditions: list[Any] = [] if asked.family is None else [Score.family == asked.family]
    of_family: list[Any] = [] if asked.family is None else [Pack.family == asked.family]
    offers = offers_by_family(session, costs, now)
    weighable = [*conditions, ~not_weighed(), Score.family.in_(offers)]
    # Taken together, packs that cannot be weighed would crowd out those that can.
    unoffered = [*conditions, ~not_weighed(), Score.family.not_in(offers)]
    everything = open_cases(session, now, weighable, MOST_CASES)
    lacking = open_cases(session, now, unoffered, MOST_LOOKED_AT)
    # By no figure of theirs: what is found there may be no reason for another pack.
    first = open_cases(session, now, [*conditions, not_weighed()], MOST_LOOKED_AT)
    ordered = on_order(session, everything.topped_at | lacking.topped_at | first.topped_at, now)
    vehicles = {case.pack_id: case.vehicle_id for case in (*everything.cases, *lacking.cases, *first.cases)}
    out = {
        case.pack_id: some.take([at])
        for some in (everything, lacking)
        for at, case in enumerate(some.cases)
        if case.pack_id in ordered
    }
    waiting = everything.take([at for at, case in enumerate(everything.cases) if case.pack_id not in ordered])
    without = [case for case in lacking.cases if case.pack_id not in ordered]
    entries: list[tuple[QueueEntry, Offers, OpenCase]] = []
    stopped = under_stop(session, families, of_family)
    down = vehicles_down(session, now, of_family)
    unweighed: list[UnderStop | Down] = [*down, *stopped]
    coming = _on_order_for(session, [one for one in unweighed if one.pack_id not in ordered], now)
    supplied = {*ordered, *(one.pack_id for one in coming)}
    needed = [one for one in unweighed if _needs_pack(one) and one.pack_id not in supplied]
    left_out = [
        CaseLeftOut(pack_id=one.pack_id, vehicle_id=one.vehicle_id, reason=" ".join(_stops_said(one)))
        for one in stopped
        if one not in needed
    ]
    left_out += [
        CaseLeftOut(pack_id=case.pack_id, vehicle_id=case.vehicle_id, reason=" ".join(look_first_at(case)))
        for case in first.cases
        if case.pack_id not in ordered
    ]
    notes = (
        [_(ORDER_OF_QUEUE), costs.source, _(SINCE_SEEN), _(ASSUMPTION), _(UNLEARNED), _(WAITING_TO_ORDER)]
        if len(waiting)
        else [costs.source]
    )
    if len(waiting) or needed:
        notes += _beside_the_shelf(session, {case.family for case in waiting.cases} | {one.family for one in needed})
    if (lost := long_down(session, now, of_family)) is not None:
        notes.append(lost)
    unmet = {family: lacking_offer(session, family, costs, now) for family in sorted({c.family for c in without})}
    left_out += [
        CaseLeftOut(
            pack_id=case.pack_id,
            vehicle_id=case.vehicle_id,
            reason=f"{unmet[case.family].what} {unmet[case.family].mend}",
        )
        for case in without
    ]
    if len(lacking) == MOST_LOOKED_AT and (more := _count(session, now, unoffered) - MOST_LOOKED_AT) > 0:
        said = ngettext(
            "%(count)s more open case is left out because nobody offers a pack for it; enter an offer.",
            "%(count)s more open cases are left out because nobody offers a pack for them; enter offers.",
            more,
        )
        notes.append(said % {"count": more})
    for family in sorted({case.family for case in waiting.cases}):
        cases = waiting.take([place for place, case in enumerate(waiting.cases) if case.family == family])
        own = offers[family]
        notes += [*own.left_out, *own.old]
        entries += [(entry, own, cases.cases[entry.row]) for entry in _weighed(cases, own, stated, asked.risk)]
    places_of = {entry.case: (entry, offers, case) for entry, offers, case in entries}
    missing, missing_in_all = without_forecast(session, now, MOST_NAMED, conditions=of_family)
    left_out += [CaseLeftOut(pack_id=case.pack_id, vehicle_id=case.vehicle_id, reason=case.why) for case in missing]
    if missing_in_all > len(missing):
        more = missing_in_all - len(missing)
        said = ngettext(
            "%(count)s more open case has no forecast to go by; read it, or have the whole fleet forecast.",
            "%(count)s more open cases have no forecast to go by; read them, or have the whole fleet forecast.",
            more,
        )
        notes.append(said % {"count": more})
    if len(everything) == MOST_CASES:
        in_all = _count(session, now, weighable)
        if in_all > MOST_CASES:
            notes.append(
                _(
                    "Only the %(count)s cases whose good-for day comes first are weighed (left out: "
                    "%(more)s). Choose a family to see further."
                )
                % {"count": MOST_CASES, "more": in_all - MOST_CASES}
            )
    told_of = {case.family for some in (everything, lacking, first) for case in some.cases}
    told_of |= {one.family for one in unweighed}
    return QueueAnswer(
        as_of=now,
        currency=costs.currency,
        risk=asked.risk,
        costs=costs_used(costs, COSTS_OF_ORDERING),
        entries=[_order_at_once(session, one, now) for one in needed]
        + [_told(*places_of[entry.case], costs.currency, now) for entry in in_order(entry for entry, _, _ in entries)],
        on_order=[
            CaseOnOrder(
                pack_id=pack_id,
                vehicle_id=vehicles[pack_id],
                **told_on_order(out.get(pack_id), order).model_dump(),
            )
            for pack_id, order in ordered.items()
        ]
        + coming,
        left_out=left_out,
        offers_lacking=[
            OfferLacking(family=family, what=problem.what, mend=problem.mend) for family, problem in unmet.items()
        ],
        notes=notes,
        cautions=all_cautions(shared_chemistry(families, told_of)),
    )


def _count(session: Session, now: datetime, conditions: Sequence[Any]) -> int:
    """Count the open cases that can be decided on."""
    return session.scalar(select(func.count()).select_from(Score).where(still_out(), decided_on(now), *conditions)) or 0


def _stops_said(stopped: UnderStop) -> list[str]:
    return [_("STOP: %(what)s") % {"what": spoken(stop.text)} for stop in stopped.stops]


def _needs_pack(one: UnderStop | Down) -> bool:
    return isinstance(one, Down) or one.needs_pack


def order_at_once(
    session: Session, families: Mapping[str, PackFamily], now: datetime, pack_id: str
) -> QueueEntryAnswer | None:
    """Return the queue's entry of one pack that has to be replaced whatever its curve; None where it is no such pack.

    None, too, where a pack for it is on order.
    """
    waiting = waiting_for_pack(session, families, now, [Pack.id == pack_id])
    return _order_at_once(session, waiting[0], now) if waiting else None


def _order_at_once(session: Session, needed: UnderStop | Down, now: datetime) -> QueueEntryAnswer:
    """Put a pack that has to be replaced into the queue: another is ordered today, and no curve is needed for that."""
    soonest, name = soonest_offer(session, needed.family, now), None
    if soonest is None:
        said = _("It needs another pack: order today, from whoever delivers soonest; no offer for one is entered.")
    else:
        name = offer_name(soonest.supplier_id, express=soonest.express_fee is not None)
        said = _("It needs another pack: order today, from %(supplier)s, who comes soonest.") % {"supplier": name}
    return QueueEntryAnswer(
        pack_id=needed.pack_id,
        vehicle_id=needed.vehicle_id,
        family=needed.family,
        needs_pack=True,
        forecast_id=None,
        offer_id=None if soonest is None else soonest.id,
        offer_name=name,
        supplier=None if soonest is None else soonest.supplier_id,
        express=soonest is not None and soonest.express_fee is not None,
        order_day=0,
        latest_day=0,
        latest_on=now.date(),
        last_day=said,
        latest_day_band=(0, 0),
        fault_first_today=None,
        cheapest_day=0,
        expected_cost=None,
        week_later=None,
        reasons=[*([needed.why] if isinstance(needed, Down) else _stops_said(needed)), said],
    )


def _on_order_for(session: Session, packs: Sequence[UnderStop | Down], now: datetime) -> list[CaseOnOrder]:
    """Return what is on its way to packs of which nothing is weighed: their order stands all the same."""
    vehicles = {one.pack_id: one.vehicle_id for one in packs}
    return [
        CaseOnOrder(pack_id=pack_id, vehicle_id=vehicles[pack_id], **told_on_order(None, order).model_dump())
        for pack_id, order in orders_for(session, packs, now).items()
    ]


def _beside_the_shelf(session: Session, families: Collection[str]) -> list[str]:
    """Say that packs of the shelf are not counted, and how many are on order for it."""
    query = select(Delivery.family, func.count()).where(
        Delivery.family.in_(families), Delivery.pack_id.is_(None), Delivery.arrived_at.is_(None)
    )
    coming = {row[0]: row[1] for row in session.execute(query.group_by(Delivery.family).order_by(Delivery.family))}
    said = [_("A pack on the shelf is not counted here, nor one on order for it: fit that before you order another.")]
    if coming:
        named = ", ".join(
            _("%(family)s: %(count)s") % {"family": family, "count": count} for family, count in coming.items()
        )
        said.append(_("On order for the shelf: %(packs)s.") % {"packs": named})
    return [" ".join(said)]


def _weighed(cases: OpenCases, offers: Offers, costs: Costs, risk: float) -> Sequence[QueueEntry]:
    """Weigh some cases at a time: the figures of all offers, days and edges would fill the memory."""
    entries: list[QueueEntry] = []
    for first in range(0, len(cases), _SOME):
        some = cases.take(range(first, min(first + _SOME, len(cases))))
        curves = (some.survival, some.band_low, some.band_high)
        band = plan_orders_on_band(*curves, offers.plain, costs, risk, some.told)
        found = order_queue([case.pack_id for case in some.cases], band)
        entries += [replace(entry, row=entry.row + first) for entry in found]
    return entries


def _told(entry: QueueEntry, offers: Offers, case: OpenCase, currency: str, now: datetime) -> QueueEntryAnswer:
    known = offers.known[entry.offer]
    assert known.number is not None
    assert case.forecast_id is not None
    today, last = now.date(), latest(entry.latest_day)
    latest_on = None if last is None else today + timedelta(days=last)
    return QueueEntryAnswer(
        pack_id=case.pack_id,
        vehicle_id=case.vehicle_id,
        family=case.family,
        forecast_id=case.forecast_id,
        offer_id=known.number,
        offer_name=known.offer.supplier,
        supplier=known.supplier,
        express=known.offer.express_fee is not None,
        order_day=latest(entry.order_day),
        latest_day=last,
        latest_on=latest_on,
        last_day=last_day_said(latest_on, today),
        latest_day_band=(latest(entry.latest_day_pessimistic), latest(entry.latest_day_optimistic)),
        fault_first_today=entry.fault_first_today,
        cheapest_day=latest(entry.cheapest_day),
        expected_cost=entry.expected_cost.amount,
        week_later=entry.week_later.amount,
        reasons=reasons_of(entry, offers, currency),
    )
