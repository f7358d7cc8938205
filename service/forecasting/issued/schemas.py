"""What a forecast of a stored pack is asked with, and how it is kept."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, Field

from service.forecasting.forecasts.schemas import DEFAULT_CONFIDENCES, Confidence, ForecastAnswer, ForecastQuestion


class ForecastRequest(ForecastQuestion):
    """What is asked about a stored pack. All of it may be left out."""

    confidence: Annotated[tuple[Confidence, ...], Field(min_length=1, max_length=9)] = Field(
        DEFAULT_CONFIDENCES,
        description="Confidences at which to say for how many days the top-up is good; 90% is told in any case.",
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
    good_for_days: float = Field(description="Days, at 90%, counted from `origin`; 0 where a flag withholds them.")
    recheck_at: datetime | None = Field(
        description="Day on which another reading tells most; null where there is none, or nobody has asked for it yet."
    )


class ListedForecast(ForecastSummary):
    """One of many, with what speaks against going by it."""

    first: list[str] = Field(
        description="To be known before the days are gone by: what stops the pack as the record stands, what is "
        "recorded that the forecast does not know, what its pack's newest forecast withholds, and what it warns of "
        "itself."
    )


class IssuedForecastAnswer(ListedForecast):
    """A stored forecast as it was issued."""

    asked: ForecastRequest
    answer: ForecastAnswer


class ForecastPage(BaseModel):
    """Some of the forecasts, in the order in which they were issued."""

    items: list[ListedForecast]
    next_cursor: str | None
