"""What ordering is asked with, and what it answers: the same over REST, on the command line and on the pages."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from models.base.numbers import NO_TRUTH_VALUE
from service.decisions.basis.costs import NOTHING_STATED, StatedCosts
from service.decisions.basis.lead_times import StatedLeadTime
from service.decisions.release.schemas import EarlyToLate
from service.forecasting.forecasts.schemas import ForecastCase
from service.records.schemas import Amount, Line
from service.records.subjects.suppliers import Currency, FamilyName

USUAL_RISK = 0.1
LATEST = "Last order day at the chosen risk; null where it is too late already: then order now."
Risk = Annotated[FiniteFloat, Field(gt=0, lt=1), NO_TRUTH_VALUE]


class OrdersRequest(BaseModel):
    """What is asked about a stored pack."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    risk: Risk = Field(USUAL_RISK, description="Highest acceptable chance that the fault beats the delivery.")
    costs: StatedCosts = Field(NOTHING_STATED, description="What being wrong costs; nothing has a default.")


class SentOffer(StatedLeadTime):
    """One way of getting the pack."""

    supplier: Line = Field(description="Name used in sentences.", examples=["North Quay Stores"])
    currency: Currency = Field(examples=["EUR"])
    price: Amount
    express_fee: Amount | None = Field(None, description="Paid on top for this lead time.")


class OrdersCase(OrdersRequest):
    """What is asked about a pack that is sent along with its offers; nothing is stored."""

    case: ForecastCase = Field(description="As for `POST /v1/forecasts`.")
    offers: Annotated[tuple[SentOffer, ...], Field(min_length=1, max_length=50)]


class QueueRequest(OrdersRequest):
    """What is asked about all open cases."""

    family: FamilyName | None = Field(None, description="Only packs of this family.")


class OfferWeighed(BaseModel):
    """One offer, weighed on every order day."""

    offer_id: int | None = Field(description="Number of the stored offer; null if it was sent along.")
    supplier: str
    name: str = Field(description="What sentences call it: supplier, express, and its number where two are alike.")
    express: bool
    price: float
    express_fee: float | None
    to_pay: float = Field(description="Price and express fee together.")
    lead_days: EarlyToLate = Field(description="Days from order to arrival.")
    basis: str = Field(description="What the lead time rests on.")
    best_day: int = Field(description="Cheapest order day; 0 is today.")
    best_cost: float = Field(description="Expected cost if ordered then.")
    today_cost: float = Field(description="Expected cost if ordered today.")
    fault_first_today: float = Field(
        description="Chance that the fault beats the delivery if ordered today, at most, by what is promised."
    )
    latest_day: int | None = Field(description=LATEST)
    latest_on: date | None = Field(description="The date of it; null where `latest_day` is.")
    last_day: str = Field(description="The same in a sentence: until when, or that it is too late already.")
    latest_day_band: tuple[int | None, int | None] = Field(
        description="The same on the low and the high edge of the forecast's band."
    )
    horizon_limits: bool = Field(description="A later day might do too, but lies past what the forecast vouches for.")
    cost_at_least: list[float] = Field(
        description="By order day from today: expected cost, returns after 180 days unseen."
    )
    cost_at_most: list[float] = Field(description="The same if every pack that holds so long failed right after it.")
    fault_first: list[float] = Field(
        description="By order day: chance that the fault beats the delivery, at most, by what is promised."
    )


class Choice(BaseModel):
    """An order: which offer, on which day."""

    offer: int | None = Field(description="Its place among `offers`; null for ordering only at the return.")
    supplier: str = Field(description="Of the offer; at the return, of the one then taken.")
    day: int | None = Field(description="Days from today; null for ordering only at the return.")
    on: date | None
    cost: float = Field(description="Expected cost.")
    sentence: str


class Sensitivity(BaseModel):
    """What would be cheapest if one cost were another."""

    cost: str
    factor: float
    changed: bool
    cheapest: Choice


class PackOnOrder(BaseModel):
    """A pack that is on its way to this case, or waits to be fitted."""

    delivery_id: int
    supplier: str
    ordered_at: datetime
    arrived_at: datetime | None
    days: EarlyToLate | None = Field(description="Days until it comes; null if nothing is known of that.")
    fault_first: float | None = Field(description="Chance that the fault beats it, at most.")
    basis: str


class OrdersAnswer(BaseModel):
    """Every offer side by side for one case, with what each costs and risks on each order day."""

    pack_id: str
    vehicle_id: str | None
    family: str
    as_of: datetime = Field(description="Day 0 is the day of this moment.")
    model_id: str
    forecast_id: int | None
    forecast_origin: datetime
    currency: str
    risk: float
    costs: dict[str, float] = Field(description="The costs it was weighed with, as stated.")
    first: list[str] = Field(description="To be known before any figure is read: what makes it one not to go by.")
    offers: list[OfferWeighed]
    order: Choice = Field(
        description="What to do, as the queue has it: the cheapest order that keeps to the chosen risk or, where none "
        "does, today the one likeliest to come before the fault."
    )
    cheapest: Choice = Field(description="Over all offers and days, whatever the risk.")
    safe: Choice | None = Field(
        description="The cheapest order that keeps to the chosen risk; null where none does, `reasons` then names the "
        "offer that comes nearest."
    )
    keeps_to_risk: bool = Field(description="Whether any order keeps to the chosen risk.")
    at_return_cost: float = Field(description="Expected cost of ordering only when the fault returns.")
    reasons: list[str]
    if_it_holds_less: Choice = Field(description="The cheapest on the low edge of the forecast's band.")
    if_it_holds_longer: Choice = Field(description="The cheapest on the high edge of the forecast's band.")
    depends_on_band: bool
    sensitivity: list[Sensitivity]
    on_order: PackOnOrder | None
    basis: list[str] = Field(description="What forecast, costs and assumptions it rests on.")
    left_out: list[str] = Field(description="Offers that were not weighed, and why.")
    cautions: list[str]


class QueueEntryAnswer(BaseModel):
    """One open case in the queue, or a pack that has to be replaced whatever its curve."""

    pack_id: str
    vehicle_id: str | None
    family: str
    needs_pack: bool = Field(
        False,
        description="Its fault is back, or a fact stops it for good: order today, from the offer that comes soonest. "
        "No curve is weighed for that, and no figure told.",
    )
    forecast_id: int | None = Field(description="Null where `needs_pack`.")
    offer_id: int | None = Field(description="Null where `needs_pack` and no offer stands.")
    offer_name: str | None = Field(
        description="What sentences call it: supplier, express, and its number where two are alike."
    )
    supplier: str | None
    express: bool
    order_day: int | None = Field(
        description="Cheapest order day at the chosen risk; null where it is too late already."
    )
    latest_day: int | None = Field(description=LATEST)
    latest_on: date | None = Field(description="The date of it; null where `latest_day` is.")
    last_day: str = Field(description="The same in a sentence: until when, or that it is too late already.")
    latest_day_band: tuple[int | None, int | None]
    fault_first_today: float | None = Field(
        description="Chance that the fault beats this offer if ordered today, at most, by what is promised; null where "
        "`needs_pack`."
    )
    cheapest_day: int | None = Field(description="Cheapest order day whatever the risk; null for only at the return.")
    expected_cost: float | None = Field(description="Of that cheapest plan; null where `needs_pack`.")
    week_later: float | None = Field(
        description="What ordering this offer a week from today adds to the expected cost; null where `needs_pack`."
    )
    reasons: list[str]


class CaseOnOrder(PackOnOrder):
    """An open case whose pack is on its way."""

    pack_id: str
    vehicle_id: str | None


class CaseLeftOut(BaseModel):
    """An open case that was not weighed, and why."""

    pack_id: str
    vehicle_id: str | None
    reason: str


class OfferLacking(BaseModel):
    """A family of which packs wait and cannot be weighed, because nobody offers any."""

    family: str
    what: str
    mend: str


class QueueAnswer(BaseModel):
    """The open cases in the order in which they need a pack ordered."""

    as_of: datetime
    currency: str
    risk: float
    costs: dict[str, float]
    entries: list[QueueEntryAnswer]
    on_order: list[CaseOnOrder]
    left_out: list[CaseLeftOut]
    offers_lacking: list[OfferLacking] = Field(description="Families whose packs are left out for want of an offer.")
    notes: list[str] = Field(description="What it rests on, and whatever was left out beyond the lists here.")
    cautions: list[str]
