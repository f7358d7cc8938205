"""Suppliers, offers and deliveries as subjects of the store."""

from __future__ import annotations

from typing import Annotated, Final, Self

from pydantic import AfterValidator, Field, model_validator

from models.base.errors import BadInput, Problem, wrong
from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE, Truth
from models.decisions.lead_time import MAX_LEAD_DAYS
from models.decisions.money import minor_digits
from service.records.schemas import LARGEST_NUMBER, Amount, Line, Name, NewRecord
from service.records.sense import unknown_family
from service.records.subject import Situation, Subject
from service.store.schema import Delivery, Offer, Pack, Supplier


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
            raise wrong("earliest_days, usual_days and latest_days are not in order.", "Sort the three.")
        if self.valid_until is not None and self.valid_until <= self.quoted_at:
            raise wrong("valid_until does not lie after quoted_at.", "Correct one of the two times.")
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
            raise wrong("arrived_at lies before ordered_at.", "Correct one of the two times.")
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
)
