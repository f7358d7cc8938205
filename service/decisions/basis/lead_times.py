"""How long packs take to come: from quotes and deliveries, stated in a request or kept in the store."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from models.base.errors import BadInput
from models.base.numbers import Truth
from models.decisions.lead_time import MAX_LEAD_DAYS, Delivery, LeadTime, Quote, lead_time, quote_of_open
from service.core.translation import _
from service.records.subjects.suppliers import Days
from service.store import schema

MOST_PAST: Final = 1_000
"""Past orders of one supplier that are looked at, the newest first."""


NAMED_AT_ONCE: Final = 500
"""Cases that a query names; of more, all open orders are read."""


class PastOrder(BaseModel):
    """One past order."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    days: Days = Field(description="From the order to its arrival, or to today while it is open.")
    arrived: Truth = Field(True, description="False while it is open: leaving it out would flatter the supplier.")


class StatedLeadTime(BaseModel):
    """A lead time: a quote, own past orders, or both."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    usual_days: Days | None = Field(None, description="Days that the supplier calls usual.")
    earliest_days: Days | None = None
    latest_days: Days | None = None
    past: Annotated[tuple[PastOrder, ...], Field(max_length=MOST_PAST)] = Field(
        (), description="Own past orders with this supplier, the open ones too."
    )
    waited_days: Days = Field(0, description="Days since the order, if it has been placed already.")


def stated_lead_time(supplier: str, stated: StatedLeadTime) -> LeadTime:
    """Estimate a lead time as stated.

    Raises
    ------
    BadInput
        Nothing is known of it, its days are out of order, or it has been waited for longer than anything known.
    """
    bounds = (stated.earliest_days, stated.latest_days)
    if stated.usual_days is None and bounds != (None, None):
        raise BadInput.one(
            "usual_days",
            _("is not given, but a bound is."),
            _("Give the usual days too, or leave out the earliest and the latest."),
        )
    quote = None if stated.usual_days is None else Quote(stated.usual_days, *bounds)
    if quote is not None and stated.waited_days:
        quote = quote_of_open(quote)
    past = [Delivery(order.days, order.arrived) for order in stated.past]
    return lead_time(supplier, quote, past).given_waited(stated.waited_days)


def past_orders(session: Session, supplier: str, family: str, express: bool, now: datetime) -> list[Delivery]:
    """Return the own past orders of a family with a supplier, open ones as long as they have been waited for."""
    query = (
        select(schema.Delivery.ordered_at, schema.Delivery.arrived_at)
        .where(
            schema.Delivery.supplier_id == supplier,
            schema.Delivery.family == family,
            schema.Delivery.express == express,
            schema.Delivery.ordered_at <= now,
        )
        .order_by(schema.Delivery.ordered_at.desc())
        .limit(MOST_PAST)
    )
    orders = []
    for ordered, came in session.execute(query):
        end = now if came is None or came > now else came
        days = (end.date() - ordered.date()).days
        # An order that took longer than any lead time we believe in counts as not arrived by then.
        orders.append(Delivery(min(days, MAX_LEAD_DAYS), arrived=end is came and days <= MAX_LEAD_DAYS))
    return orders


def offer_lead_time(session: Session, offer: schema.Offer, now: datetime) -> LeadTime:
    """Return the lead time of a stored offer: its quote, moved by the own deliveries of its kind."""
    quote = Quote(offer.usual_days, offer.earliest_days, offer.latest_days)
    express = offer.express_fee is not None
    return lead_time(offer.supplier_id, quote, past_orders(session, offer.supplier_id, offer.family, express, now))


def standing_offers(session: Session, family: str, now: datetime) -> Sequence[schema.Offer]:
    """Return the offers of a family that are not past their last day, the oldest first."""
    query = select(schema.Offer).where(schema.Offer.family == family, *_stands(now))
    return session.scalars(query.order_by(schema.Offer.id)).all()


def families_on_offer(session: Session, now: datetime) -> Sequence[str]:
    """Return the families of which somebody offers packs today, in the order of their names."""
    return session.scalars(
        select(schema.Offer.family).where(*_stands(now)).distinct().order_by(schema.Offer.family)
    ).all()


def _stands(now: datetime) -> tuple[Any, Any]:
    return schema.Offer.quoted_at <= now, or_(schema.Offer.valid_until.is_(None), schema.Offer.valid_until > now)


@dataclass(frozen=True)
class OnOrder:
    """A pack that is on its way to an open case, or waits to be fitted.

    Attributes
    ----------
    lead_time : LeadTime or None
        From now on; None where nothing is known of how long it still takes.
    said : str
        What the lead time rests on, or why there is none.
    """

    delivery_id: int
    supplier: str
    ordered_at: datetime
    arrived_at: datetime | None
    lead_time: LeadTime | None
    said: str


def on_order(session: Session, cases: Mapping[str, datetime], now: datetime) -> dict[str, OnOrder]:
    """Return the newest order of each open case, where there is one that is open or came since its top-up.

    Parameters
    ----------
    cases : mapping of str to datetime
        Packs, and when each was topped up.
    """
    query = (
        select(schema.Delivery)
        .where(schema.Delivery.pack_id.is_not(None), schema.Delivery.ordered_at <= now)
        .where(
            or_(schema.Delivery.arrived_at.is_(None), schema.Delivery.arrived_at >= min(cases.values(), default=now))
        )
        .order_by(schema.Delivery.ordered_at, schema.Delivery.id)
    )
    if len(cases) <= NAMED_AT_ONCE:
        query = query.where(schema.Delivery.pack_id.in_(cases))
    found = {}
    for order in session.scalars(query):
        topped = cases.get(str(order.pack_id))
        if topped is not None and (order.arrived_at is None or order.arrived_at >= topped):
            found[str(order.pack_id)] = _on_order(session, order, now)
    return found


def _on_order(session: Session, order: schema.Delivery, now: datetime) -> OnOrder:
    named = (order.id, order.supplier_id, order.ordered_at, order.arrived_at)
    if order.arrived_at is not None and order.arrived_at <= now:
        said = _("The pack from %(supplier)s came on %(day)s and waits to be fitted.") % {
            "supplier": order.supplier_id,
            "day": order.arrived_at.date().isoformat(),
        }
        return OnOrder(*named, LeadTime.on(0, said), said)
    offer = _taken(session, order)
    quote = None if offer is None else quote_of_open(Quote(offer.usual_days, offer.earliest_days, offer.latest_days))
    # The order itself is left out of the record: that it is still open is what is given below.
    past = past_orders(session, order.supplier_id, order.family, order.express, order.ordered_at)
    waited = max((now.date() - order.ordered_at.date()).days, 0)
    try:
        known = lead_time(order.supplier_id, quote, past).given_waited(waited)
    except BadInput as error:
        problem = error.problems[0]
        return OnOrder(*named, None, f"{_(problem.what)} {_(problem.mend)}")
    return OnOrder(*named, known, _(known.basis))


def _taken(session: Session, order: schema.Delivery) -> schema.Offer | None:
    """Return the offer that was taken; where nobody noted it, the supplier's newest of that kind."""
    if order.offer_id is not None:
        return session.get(schema.Offer, order.offer_id)
    fee = schema.Offer.express_fee
    return session.scalar(
        select(schema.Offer)
        .where(
            schema.Offer.supplier_id == order.supplier_id,
            schema.Offer.family == order.family,
            fee.is_not(None) if order.express else fee.is_(None),
        )
        .order_by(schema.Offer.quoted_at.desc(), schema.Offer.id.desc())
        .limit(1)
    )
