"""Suppliers, offers and deliveries as subjects of the store."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from statistics import median
from typing import Annotated, Any, Final, Self

from pydantic import AfterValidator, Field, model_validator
from sqlalchemy import or_, select

from models.base import counts
from models.base.errors import BadInput, Problem, wrong
from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE, Truth
from models.decisions.lead_time import MAX_LEAD_DAYS, Quote, quote_of_open
from models.decisions.money import Money, minor_digits
from service.core.translation import _
from service.records.cost_words import MEANING
from service.records.schemas import LARGEST_NUMBER, Amount, Line, Name, NewRecord
from service.records.sense import unknown_family
from service.records.subject import Situation, Subject
from service.store.schema import CostSheet, Delivery, Offer, Outcome, Pack, Supplier, TopUp


def _currency(code: str) -> str:
    try:
        minor_digits(code)
    except BadInput as error:
        raise wrong(error.problems[0].what, error.problems[0].mend) from error
    return code


Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$"), AfterValidator(_currency)]
Days = Annotated[int, Field(ge=0, le=MAX_LEAD_DAYS), NO_TRUTH_VALUE]
FamilyName = Annotated[str, Field(max_length=31, description="Family of the pack.", examples=["gravel-14"])]
SupplierName = Annotated[Name, Field(description="The supplier.", examples=["north-quay"])]


class NewSupplier(NewRecord):
    """Whoever sells packs: a business, not a person."""

    id: SupplierName
    title: Line | None = Field(None, description="As it is written on paper.", examples=["North Quay Stores"])


class NewOffer(NewRecord):
    """One way of getting a pack. Express and ordinary delivery of one supplier are two offers."""

    supplier_id: SupplierName
    family: FamilyName
    currency: Currency = Field(description="Code of ISO 4217.", examples=["EUR"])
    price: Amount
    express_fee: Amount | None = Field(None, description="Paid on top for this lead time.")
    usual_days: Days = Field(description="Days from order to arrival that the supplier calls usual.")
    earliest_days: Days | None = None
    latest_days: Days | None = None
    quoted_at: Moment
    valid_until: Moment | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        low = self.usual_days if self.earliest_days is None else self.earliest_days
        high = self.usual_days if self.latest_days is None else self.latest_days
        if not low <= self.usual_days <= high:
            raise wrong(
                f"Earliest {low}, usual {self.usual_days} and latest {high} days are not in order.", "Sort the three."
            )
        if self.valid_until is not None and self.valid_until <= self.quoted_at:
            raise wrong("It is valid until before it was quoted.", "Correct one of the two dates.")
        return self


class NewDelivery(NewRecord):
    """A pack that was ordered."""

    supplier_id: SupplierName
    family: FamilyName
    pack_id: Name | None = Field(
        None, description="The open case it was ordered for; null if it goes on the shelf.", examples=["MB-VAN-07"]
    )
    express: Truth = Field(False, description="Whether the express fee was paid: express orders are a record apart.")
    offer_id: Annotated[int, Field(ge=1, le=LARGEST_NUMBER), NO_TRUTH_VALUE] | None = Field(
        None, description="The offer that was taken; without it, the newest of the supplier for such a pack is."
    )
    ordered_at: Moment
    arrived_at: Moment | None = Field(None, description="Null while the order is open.")

    @model_validator(mode="after")
    def _forward(self) -> Self:
        if self.arrived_at is not None and self.arrived_at < self.ordered_at:
            raise wrong("The arrival lies before the order date.", "Correct one of the two.")
        return self


def _known_family(situation: Situation) -> list[Problem]:
    strange = situation.after and unknown_family(situation.after["family"], situation.families)
    return [strange] if strange else []


def _delivery_sense(situation: Situation) -> list[Problem]:
    problems = _known_family(situation)
    after = situation.after
    if problems or after is None:
        return problems
    offer = None if after["offer_id"] is None else situation.session.get(Offer, after["offer_id"])
    if offer is not None:
        taken = (offer.supplier_id, offer.family, offer.express_fee is not None)
        if taken != (after["supplier_id"], after["family"], after["express"]):
            what = f"Offer {offer.id} is of another supplier, for other packs, or not by the same delivery."
            return [Problem("offer_id", what, "Name the offer that was taken, or leave it out.")]
    if after["pack_id"] is None:
        return []
    pack = situation.session.get(Pack, after["pack_id"])
    if pack is not None and pack.family != after["family"]:
        what = f"Pack {pack.id} is of the family {pack.family!r}; this order is for {after['family']!r}."
        return [Problem("pack_id", what, "Correct the pack or the family.")]
    return []


def _delivery_doubts(situation: Situation, now: datetime) -> list[Problem]:
    """Ask about an order that took far longer than such orders do, and about one that stands there already."""
    after, before = situation.after, situation.before
    if after is None:
        return []
    moved = before is None or any(after[name] != before[name] for name in ("ordered_at", "arrived_at"))
    same = before is not None and all(
        after[name] == before[name] for name in ("supplier_id", "family", "pack_id", "ordered_at")
    )
    again = [] if same else [*_gone(situation, after), *_twice(situation, after)]
    return [*(_slow(situation, after, now) if moved else ()), *again]


def _gone(situation: Situation, order: Mapping[str, Any]) -> list[Problem]:
    """Ask about an order for a pack that is out of its vehicle already: the one that sits there may be meant."""
    if order["pack_id"] is None:
        return []
    session, pack_id = situation.session, order["pack_id"]
    gone = select(Outcome).where(Outcome.pack_id == pack_id, Outcome.kind.in_(("replaced", "retired")))
    last = session.scalars(gone.order_by(Outcome.time.desc()).limit(1)).first()
    if last is None or last.time > order["ordered_at"] + _DAY:
        return []
    topped = select(TopUp.id).where(TopUp.pack_id == pack_id, TopUp.time > last.time)
    if session.scalar(topped.limit(1)) is not None:
        return []
    what = _("Pack %(pack)s was replaced, or taken out of use, on %(day)s.")
    mend = _("Is the order for another pack, as the one that sits in its vehicle now?")
    return [Problem("pack_id", what % {"pack": pack_id, "day": last.time.date().isoformat()}, mend)]


def _slow(situation: Situation, order: Mapping[str, Any], now: datetime) -> list[Problem]:
    end = now if order["arrived_at"] is None else order["arrived_at"]
    days = (end.date() - order["ordered_at"].date()).days
    quotes = _usual_for(situation, order)
    least = min(
        (quote.usual_days if quote.earliest_days is None else quote.earliest_days for quote in quotes), default=0
    )
    if order["arrived_at"] is not None and days == 0 < least:
        what = _("It would have come on the day of the order; %(supplier)s is expected to take %(days)s at least.")
        what %= {"supplier": order["supplier_id"], "days": _(counts.days(least))}
        return [Problem("arrived_at", what, _("Was it ordered earlier? Every lead time rests on both days."))]
    usual = _longest_usual(quotes)
    if days <= usual:
        return []
    words = {"days": _(counts.days(days)), "usual": _(counts.days(usual)), "supplier": order["supplier_id"]}
    if order["arrived_at"] is None:
        what = _("It would be open for %(days)s already; %(supplier)s is expected to take %(usual)s at most.") % words
        return [Problem("ordered_at", what, _("Is the order date right, and has the pack not come?"))]
    what = _("It would have taken %(days)s; %(supplier)s is expected to take %(usual)s at most.") % words
    return [Problem("arrived_at", what, _("Are order date and arrival right? Every lead time rests on them."))]


def _usual_for(situation: Situation, order: Mapping[str, Any]) -> list[Quote]:
    """Return what is known of how long such an order takes: the quotes, and what is usual on record."""
    session = situation.session
    fee = Offer.express_fee.is_not(None) if order["express"] else Offer.express_fee.is_(None)
    offers = session.scalars(
        select(Offer).where(Offer.supplier_id == order["supplier_id"], Offer.family == order["family"], fee)
    )
    quotes = [Quote(offer.usual_days, offer.earliest_days, offer.latest_days) for offer in offers]
    came = session.execute(
        select(Delivery.ordered_at, Delivery.arrived_at).where(
            Delivery.supplier_id == order["supplier_id"],
            Delivery.family == order["family"],
            Delivery.express == order["express"],
            Delivery.arrived_at.is_not(None),
            Delivery.id != (situation.record_id or 0),
        )
    )
    if took := [(arrived.date() - ordered.date()).days for ordered, arrived in came if arrived is not None]:
        quotes.append(Quote(round(median(took))))
    return quotes


def _longest_usual(quotes: Sequence[Quote]) -> int:
    """Return the days after which an order is late: by the quotes, or by half as long again as usual on record.

    Where nothing is known of such orders, the longest lead time that is believed in.
    """
    late = [quote_of_open(quote).latest_days for quote in quotes]
    return max((days for days in late if days is not None), default=MAX_LEAD_DAYS)


def _twice(situation: Situation, order: Mapping[str, Any]) -> list[Problem]:
    others = select(Delivery).where(Delivery.id != (situation.record_id or 0), Delivery.family == order["family"])
    if order["pack_id"] is None:
        # Two for the shelf on one day may be two packs, or one entered twice.
        others = others.where(
            Delivery.pack_id.is_(None),
            Delivery.supplier_id == order["supplier_id"],
            Delivery.express == order["express"],
            Delivery.ordered_at.between(order["ordered_at"] - _DAY, order["ordered_at"] + _DAY),
        )
    else:
        # One pack needs one: any order for it that was under way at the same time, from whomever.
        others = others.where(
            Delivery.pack_id == order["pack_id"],
            or_(Delivery.arrived_at.is_(None), Delivery.arrived_at >= order["ordered_at"]),
        )
        if order["arrived_at"] is not None:
            others = others.where(Delivery.ordered_at <= order["arrived_at"])
    other = situation.session.scalars(others.order_by(Delivery.id).limit(1)).first()
    if other is None:
        return []
    words = {"number": other.id, "day": other.ordered_at.date().isoformat(), "supplier": other.supplier_id}
    if order["pack_id"] is None:
        what = _("Order %(number)s of %(day)s is for such a pack from %(supplier)s too.") % words
        return [Problem("ordered_at", what, _("Are there two packs? If it is the same one, correct that order."))]
    what = _("Order %(number)s of %(day)s, from %(supplier)s, is for this pack too.") % words
    return [Problem("pack_id", what, _("Are two wanted? If it is the same one, correct that order."))]


_DAY: Final = timedelta(days=1)


def _offer_doubts(situation: Situation, now: datetime) -> list[Problem]:
    """Ask about a price that is a digit off, an offer that stands already, and one that is over before it began."""
    after, before = situation.after, situation.before
    if after is None:
        return []
    changed = {name for name in after if before is None or before[name] != after[name]}
    found = []
    if "price" in changed:
        found += _price_off(situation, after)
    if "usual_days" in changed and after["usual_days"] == 0:
        what = _("The pack would come on the day of the order.")
        found.append(Problem("usual_days", what, _("Does it lie on the shelf next door?")))
    if "valid_until" in changed and after["valid_until"] is not None and after["valid_until"] <= now:
        what = _("It was valid until %(day)s: nothing is weighed with it.")
        day = after["valid_until"].date().isoformat()
        found.append(Problem("valid_until", what % {"day": day}, _("Is the year right?")))
    if (
        changed & {"quoted_at", "valid_until"}
        and after["valid_until"] is None
        and quoted_long_ago(after["quoted_at"], now)
    ):
        what = _("It was quoted on %(day)s, over a year ago, and names no end: it is weighed as if it stood today.")
        day = after["quoted_at"].date().isoformat()
        mend = _("Does it still stand? Ask the supplier, or say until when it was valid.")
        found.append(Problem("quoted_at", what % {"day": day}, mend))
    if before is None:
        alike = (
            "supplier_id",
            "family",
            "currency",
            "price",
            "express_fee",
            "usual_days",
            "earliest_days",
            "latest_days",
        )
        conditions = [getattr(Offer, name).is_not_distinct_from(after[name]) for name in alike]
        stands = or_(Offer.valid_until.is_(None), Offer.valid_until > now)
        other = situation.session.scalars(select(Offer).where(*conditions, stands).limit(1)).first()
        if other is not None:
            what = _("Offer %(number)s says the same, and stands.") % {"number": other.id}
            found.append(Problem("price", what, _("If it was only renewed, correct that one.")))
    return found


QUOTED_LONG_AGO: Final = timedelta(days=365)
"""After so long a quote without an end is asked about, and named where it is weighed. Price lists are mostly renewed
every year: common practice, no source."""


def quoted_long_ago(quoted_at: datetime, now: datetime) -> bool:
    """Return whether a quote without an end is so old that it may not stand any more."""
    return now - quoted_at > QUOTED_LONG_AGO


def _price_off(situation: Situation, offer: Mapping[str, Any]) -> list[Problem]:
    """Ask about a price that is nothing or no sum of money, or a decimal place off from what packs cost elsewhere."""
    price, currency = offer["price"], offer["currency"]
    usual = _usual_price(situation, offer)
    if price == 0:
        what = _("A price of nothing makes every order pay.")
    elif price < 10.0 ** -minor_digits(currency):
        what = _("%(price)s is less than the smallest coin.") % {"price": f"{currency} {price:g}"}
    elif usual is not None and not usual / _PLACE < price < usual * _PLACE:
        words = {"price": Money(price, currency), "usual": Money(usual, currency)}
        what = _("%(price)s is far from what packs cost by the record, %(usual)s.") % words
    elif usual is None and (most := _dearest_cost(situation, currency)) and price > most * _BEYOND_COSTS:
        words = {"price": Money(price, currency), "most": Money(most, currency)}
        what = _("%(price)s is out of proportion to the dearest cost that the house has stated, %(most)s.") % words
    else:
        return []
    return [Problem("price", what, _("Is it the price of the whole pack, in this currency?"))]


def _usual_price(situation: Situation, offer: Mapping[str, Any]) -> float | None:
    """Return what such a pack costs: by other offers for it, by what this one said before, by those for other packs.

    None without any of these: what is left in an old pack is no price of one.
    """
    others = select(Offer.price).where(
        Offer.currency == offer["currency"], Offer.price > 0, Offer.id != (situation.record_id or 0)
    )
    before = situation.before
    was = [] if before is None or before["currency"] != offer["currency"] else [before["price"] or 0.0]
    for query in (others.where(Offer.family == offer["family"]), was, others):
        prices = query if isinstance(query, list) else situation.session.scalars(query).all()
        if known := [price for price in prices if price]:
            return median(known)
    return None


def _dearest_cost(situation: Situation, currency: str) -> float | None:
    """Return the highest amount that the house has stated as a cost in a currency."""
    sheets = situation.session.scalars(select(CostSheet).where(CostSheet.currency == currency))
    return max((amount for sheet in sheets for name in MEANING if (amount := getattr(sheet, name))), default=None)


_BEYOND_COSTS: Final = 100
"""A first price so many times the dearest cost looks like a slip. Invented: a pack costs a few times what a day off the
road or a stranding does, so two digits too many stand out whatever the house states."""

_PLACE: Final = 10
"""A digit too many or too few, or a mark in the wrong place, makes a price so many times too high or too low."""

SUPPLIERS: Final = Subject(
    name="suppliers",
    one="supplier",
    table=Supplier,
    new=NewSupplier,
    example={"id": "north-quay", "title": "North Quay Stores"},
    references={},
)

OFFERS: Final = Subject(
    name="offers",
    one="offer",
    table=Offer,
    new=NewOffer,
    example={
        "supplier_id": "north-quay",
        "family": "gravel-14",
        "currency": "EUR",
        "price": 1450,
        "usual_days": 9,
        "earliest_days": 6,
        "latest_days": 21,
        "quoted_at": "2026-02-27T10:00:00+00:00",
    },
    references={"supplier_id": Supplier},
    filters=("supplier_id", "family"),
    time="quoted_at",
    happened=("quoted_at",),
    check=_known_family,
    doubts=_offer_doubts,
)

DELIVERIES: Final = Subject(
    name="deliveries",
    one="delivery",
    table=Delivery,
    new=NewDelivery,
    example={
        "supplier_id": "north-quay",
        "family": "gravel-14",
        "ordered_at": "2026-01-12T09:00:00+00:00",
        "arrived_at": "2026-01-23T15:30:00+00:00",
    },
    references={"supplier_id": Supplier, "pack_id": Pack, "offer_id": Offer},
    filters=("supplier_id", "family", "pack_id"),
    time="ordered_at",
    happened=("ordered_at", "arrived_at"),
    check=_delivery_sense,
    doubts=_delivery_doubts,
)
