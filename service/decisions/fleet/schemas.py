"""What the fleet office asks, and what it is answered: the same over REST, on the command line and on the pages."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from models.base.numbers import NO_TRUTH_VALUE
from models.decisions.fleet_costs import MAX_WEEKS
from service.decisions.basis.costs import StatedCosts
from service.decisions.basis.ordered import ABOUT, PackOnOrder
from service.records.schemas import Amount, Line
from service.records.subjects.suppliers import FamilyName

MOST_RETURN_WEEKS = 26
MOST_TIME_S = 60.0

_RISK = "Chance that its fault is back by the end of each week if it is not replaced before."

Order = Literal["week_cost", "week_return", "good_until", "name"]

Count = Annotated[int, Field(ge=0, le=1_000_000), NO_TRUTH_VALUE]


class Part(BaseModel):
    """Which part of the fleet."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    family: FamilyName | None = Field(None, description="Only packs of this family.")
    site: Line | None = Field(None, description="Only vehicles of this site.", examples=["harbour yard"])
    duty: Line | None = Field(None, description="Only vehicles of this duty.", examples=["parcel round"])


class RankingRequest(Part, StatedCosts):
    """What is asked of the ranking. Costs that are left out are those the house has stated."""

    order: Order = Field(
        "week_cost",
        description="What they are sorted by: the costliest wait, the likeliest return, the day that comes first, or "
        "the name.",
    )
    reverse: bool = Field(False, description="The other way round.")
    limit: Annotated[int, Field(ge=1, le=500)] = Field(50, description="Vehicles on a page.")
    cursor: str | None = Field(None, max_length=500, description="`next_cursor` of the page before.")


class Ranked(BaseModel):
    """One vehicle in the ranking."""

    pack_id: str
    vehicle_id: str | None
    family: str
    site: str | None
    duty: str | None
    week_cost: float | None = Field(
        description="What replacing in a week instead of now adds to the expected cost; null where `week_return` is: "
        "a vehicle that must not be driven has nothing to wait for."
    )
    week_return: float | None = Field(
        description="Chance that the fault is back within a week of `as_of`, counted from when it was last seen to "
        "hold: the chance that an order tells of the same days. Null where nothing was seen, or forecast, for 30 "
        "days, and where `grave` or `unread`: its forecast tells none either."
    )
    good_until: datetime | None = Field(
        description="Last promised day: nine in ten such packs hold to this moment, whole days after the forecast. "
        "Null where that is past, or where `grave`, `unread` or `unweighed`."
    )
    no_reading_since: datetime | None = Field(
        description="Its newest record, where what was promised then is used up, or which is more than 30 days old: "
        "that it still holds nobody has seen."
    )
    grave: bool = Field(description="Its forecast is not to be gone by before what it warns of is looked at.")
    unread: bool = Field(description="Nobody read it at rest since its charge: it is read before it is driven.")
    unweighed: bool = Field(
        description="Something is recorded of it that its forecast does not know: forecast it again first. The figures "
        "are those of before."
    )
    forecast_id: int
    as_of: datetime = Field(description="Moment from which the week counts: now.")
    pack_on_order: PackOnOrder | None = Field(None, description=ABOUT)


class RankingAnswer(BaseModel):
    """Vehicles by what another week's wait costs, the costliest first."""

    first: list[str] = Field(
        description="To be known before the ranking is read: what must not be driven, old forecasts in it, and packs "
        "that are not in it."
    )
    currency: str
    costs: dict[str, float]
    vehicles: int = Field(
        description="How many there are in this part of the fleet; on later pages, how many there were on the first."
    )
    scored_from: datetime | None = Field(description="Oldest moment that any of them was scored at.")
    items: list[Ranked]
    next_cursor: str | None
    notes: list[str]
    cautions: list[str]


class PlanRequest(Part):
    """What a replacement plan has to keep to."""

    costs: StatedCosts = Field(StatedCosts(), description="What being wrong costs; nothing has a default.")
    pack: Amount | None = Field(
        None, description="Price of a pack, for every family; without it the cheapest offer of each that stands today."
    )
    slots: Annotated[tuple[Count, ...], Field(min_length=1, max_length=MAX_WEEKS)] = Field(
        description="Workshop slots for planned replacements in each week; their number sets the length of the plan."
    )
    packs: Annotated[tuple[Count, ...], Field(min_length=1, max_length=MAX_WEEKS)] | None = Field(
        None, description="Packs that arrive for the start of each week; null if they are no limit."
    )
    budget: Amount | None = Field(None, description="For all packs of the plan together; null if it is no limit.")
    gap: Annotated[FiniteFloat, Field(ge=0, le=1), NO_TRUTH_VALUE] = Field(
        0.01, description="Share of the greatest possible saving that the plan may miss."
    )
    time_limit_s: Annotated[FiniteFloat, Field(gt=0, le=MOST_TIME_S), NO_TRUTH_VALUE] = Field(
        10.0, description="Solver time; when it runs out, the best plan found is answered with its true gap."
    )
    confidence: Annotated[FiniteFloat, Field(gt=0, lt=1), NO_TRUTH_VALUE] = Field(
        0.9, description="Of the interval of returns."
    )


class PlannedVehicle(BaseModel):
    """A vehicle with a week."""

    pack_id: str
    vehicle_id: str | None
    family: str
    needs_pack: bool = Field(
        False,
        description="Its pack has to be replaced whatever its curve: it takes the first slot, and stands until then.",
    )
    saves: float = Field(description="What its planned replacement saves against waiting for the return.")
    risk: list[float] = Field(description=f"{_RISK} Empty where `needs_pack`: it is not driven.")
    pack_on_order: PackOnOrder | None = Field(None, description=ABOUT)


class LeftVehicle(BaseModel):
    """A vehicle without a week, and why."""

    pack_id: str
    vehicle_id: str | None
    family: str
    risk: list[float] = Field(description=f"{_RISK} Empty of one that is not driven.")
    would_save: float | None = Field(
        description="What replacing it in its best week would save; below 0 it costs. Null of one that has to be "
        "looked at first: nothing is weighed of it."
    )
    reason: str
    pack_on_order: PackOnOrder | None = Field(None, description=ABOUT)


class WeekOfReturns(BaseModel):
    """Returns to expect in one week."""

    week: int = Field(description="From 1.")
    starts_on: date
    mean: float
    low: int
    high: int


class PlannedWeek(WeekOfReturns):
    """One week of the plan, with the returns to expect in it while the plan is carried out."""

    slots: int
    packs_arriving: int | None
    slot_value: float | None = Field(description="What one more slot would save at most; null if not worked out.")
    pack_value: float | None = Field(description="What one more pack arriving would save at most.")
    planned: list[PlannedVehicle]


class FleetPlanAnswer(BaseModel):
    """Which pack to replace in which week."""

    as_of: datetime
    first: list[str] = Field(
        description="To be known before the figures are read: what must not be driven, and what is not counted."
    )
    currency: str
    costs: dict[str, float]
    pack_prices: dict[str, float] = Field(description="Price of a pack by family, as planned with.")
    vehicles: int = Field(
        description="Those weighed, as in the returns, and those whose pack has to be replaced whatever its curve; not "
        "those that have to be looked at first."
    )
    planned: int
    expected_cost: float = Field(
        description="Of these vehicles to the end of the plan, without the price of packs that were ordered already."
    )
    cost_without_plan: float = Field(description="The same if every vehicle is left until its fault returns.")
    least_cost: float = Field(description="No plan within the limits can cost less.")
    gap: float = Field(description="Share of the greatest possible saving that this plan may miss.")
    solver: Literal["mixed-integer", "rounded relaxation", "greedy"]
    spent: float = Field(description="On the packs that the plan still has to buy: not on those on order.")
    budget: float | None
    budget_value: float | None = Field(description="What one more unit of the currency would save at most.")
    confidence: float
    weeks: list[PlannedWeek]
    left: list[LeftVehicle] = Field(
        description="Vehicles that got no week, those that must not be driven first, then those that would save most; "
        "at most 200 of them."
    )
    sentence: str
    assumptions: list[str]
    notes: list[str]
    cautions: list[str]


class ReturnsRequest(Part):
    """What is asked about returns."""

    weeks: Annotated[int, Field(ge=1, le=MOST_RETURN_WEEKS), NO_TRUTH_VALUE] = 8
    confidence: Annotated[FiniteFloat, Field(gt=0, lt=1), NO_TRUTH_VALUE] = Field(0.9, description="Of the interval.")


class ReturnsAnswer(BaseModel):
    """Returns to expect in each week if nothing is replaced before."""

    as_of: datetime
    first: list[str] = Field(
        description="To be known before the figures are read: what must not be driven, and what is not counted."
    )
    vehicles: int = Field(description="Those counted: a forecast to go by, and nothing to be looked at first.")
    confidence: float
    weeks: list[WeekOfReturns]
    sentence: str
    assumptions: list[str]
    cautions: list[str]


class AgeRequest(StatedCosts):
    """What is asked about replacing by age."""

    pack: Amount | None = Field(None, description="Price of a pack; without it the cheapest offer that stands today.")


class AgeAnswer(BaseModel):
    """On which day after a top-up to replace packs of a family, by the own record of how long top-ups held."""

    family: str
    topups: int = Field(description="Top-ups on record, those that still hold counted for as long as they have held.")
    returns: int
    currency: str
    planned_cost: float
    return_cost: float
    replace_on_day: float | None = Field(
        description="Days after the top-up; null if waiting for the return costs less."
    )
    cost_per_day: float
    cost_per_day_at_return: float = Field(description="The same when packs are replaced only at the return.")
    at_return_is_bound: bool = Field(description="The record ends early: the true figure is at most this.")
    sentence: str
    basis: list[str]
    cautions: list[str]
