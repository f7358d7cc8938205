"""What a forecast of a stored pack is asked with, and how it is kept."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from models.base.day_grid import HORIZON_DAYS
from models.base.moments import Moment
from models.packs.history import UsagePlan
from service.forecasting.forecasts.schemas import DEFAULT_CONFIDENCES, Confidence, ForecastAnswer


class ForecastRequest(BaseModel):
    """What is asked about a stored pack. All of it may be left out."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: Moment | None = Field(
        None, description="Moment of the forecast, with offset; without it the newest reading, top-up or plan."
    )
    usage: UsagePlan | None = Field(
        None,
        description="How the vehicle will be used from that moment on; fields left out keep the newest plan before it.",
    )
    confidence: Annotated[tuple[Confidence, ...], Field(min_length=1, max_length=9)] = Field(
        DEFAULT_CONFIDENCES,
        description="Confidences at which to say for how many days the top-up is good; 90 % is told in any case.",
    )
    replacement_in_days: Annotated[FiniteFloat, Field(ge=0, le=HORIZON_DAYS)] | None = Field(
        None, description="Days after the moment of the forecast until the replacement pack arrives."
    )

    explain: bool = Field(
        False,
        description="Also say what moves the forecast, and which past packs are most like this one. Takes longer.",
    )


class ForecastSummary(BaseModel):
    """A stored forecast, without its curve."""

    id: int
    pack_id: str
    issued_at: datetime = Field(description="When it was made; the moment it speaks of is `origin`.")
    issued_by: str
    origin: datetime
    model_id: str
    inputs_digest: str = Field(description="Digest of the inputs: the same inputs give the same digest.")
    good_for_days: float = Field(description="Days, at 90 %, counted from `origin`.")


class IssuedForecastAnswer(ForecastSummary):
    """A stored forecast as it was issued."""

    asked: ForecastRequest
    answer: ForecastAnswer


class ForecastPage(BaseModel):
    """Some of the forecasts, in the order in which they were issued."""

    items: list[ForecastSummary]
    next_cursor: str | None
