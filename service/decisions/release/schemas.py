"""What a release is asked with, and what it answers. There is no verdict in it."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from models.base.errors import wrong
from models.base.numbers import NO_TRUTH_VALUE
from service.decisions.basis.lead_times import StatedLeadTime
from service.forecasting.forecasts.schemas import ForecastCase
from service.records.subjects.suppliers import Days

Km = Annotated[FiniteFloat, Field(ge=0, le=2000), NO_TRUTH_VALUE]


class Arrival(BaseModel):
    """When the replacement comes, in one of three ways; and how far the vehicle is driven until then."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    promised: date | None = Field(None, description="The day it is promised for, taken at its word.")
    in_days: Days | None = Field(None, description="Days from today until it comes, taken as exact.")
    lead_time: StatedLeadTime | None = Field(None, description="How long such orders take, if the day is not certain.")
    km_per_day: Km | None = Field(None, description="Usual distance a day; without it that of the newest plan of use.")
    km_per_day_low: Km | None = Field(None, description="The owner's quiet average; with it, the range is told.")
    km_per_day_high: Km | None = Field(None, description="The owner's busy average.")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = [name for name in ("promised", "in_days", "lead_time") if getattr(self, name) is not None]
        if len(given) > 1:
            raise wrong(f"the arrival is given as {' and as '.join(given)}.", "Give one of them.")
        return self


class ReleaseRequest(Arrival):
    """What is asked about a stored pack. Without an arrival, the order on record for the pack is taken."""


class ReleaseCase(Arrival):
    """What is asked about a pack that is sent along; nothing is stored."""

    case: ForecastCase = Field(description="As for `POST /v1/forecasts`.")


class EarlyToLate(BaseModel):
    """Early, middle and late value; nine in ten lie between early and late. Null where nobody can say."""

    early: float | None
    middle: float | None
    late: float | None


class ReleaseAnswer(BaseModel):
    """The way from now to the replacement: chances, days, kilometres, and what to tell the owner."""

    pack_id: str
    as_of: datetime = Field(description="Moment from which days count.")
    model_id: str
    forecast_id: int | None = Field(description="The stored forecast it rests on; null if made for this question.")
    forecast_origin: datetime
    first: list[str] = Field(description="To be known before any figure is read: what makes it one not to go by.")
    get_there: float | None = Field(
        description="Chance that the pack holds through the day the replacement comes; arrivals of which nothing is "
        "claimed count as not got there. Null, as the band and the kilometres, where it is not to be let go."
    )
    get_there_at_most: float | None = Field(description="The same with those arrivals counted on the first such day.")
    band_low: float | None = Field(description="The least of it on the edges of the forecast's band.")
    band_high: float | None = Field(description="The most of it on the edges of the forecast's band.")
    unclaimed: float = Field(description="Chance that the replacement comes on a day of which nothing is claimed.")
    good_until: datetime | None = Field(
        description="Last promised day: nine in ten such packs hold to this moment. Null where that "
        "is past, or where its forecast warns of something to be looked at first."
    )
    days: EarlyToLate = Field(description="Days until the replacement comes.")
    km: EarlyToLate = Field(description="Kilometres driven by then; null if the distance a day is not known.")
    basis: list[str] = Field(description="What the arrival and the forecast rest on.")
    sentence: str = Field(description="For the owner.")
    conditions: list[str] = Field(description="To be shown beside the sentence, always.")
    cautions: list[str]
