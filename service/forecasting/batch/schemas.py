"""A line of a batch, as it is sent and as it is answered."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from models.base.moments import Moment
from models.packs.history import PackHistory
from service.forecasting.forecasts.schemas import ForecastFigures, Wait


class BatchLine(Wait):
    """One pack of a batch."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    history: PackHistory = Field(description="Everything known about the pack.")
    at: Moment | None = Field(
        None, description="Moment of the forecast, with offset; without it the newest reading, top-up or plan."
    )


class BatchAbout(BaseModel):
    """The first line of an answer: what holds for all of it."""

    kind: Literal["about"] = "about"
    model_id: str
    lines: int = Field(description="Packs that were sent, one a line; as many lines follow.")
    cautions: list[str] = Field(description="They go with every figure of the answer.")


class BatchForecast(BaseModel):
    """A line of an answer: a pack's figures."""

    kind: Literal["forecast"] = "forecast"
    line: int = Field(description="Line of the request, from 1.")
    forecast: ForecastFigures = Field(description="The same figures as of `POST /v1/forecasts`, without sentences.")


class BatchProblem(BaseModel):
    """One thing that is wrong with a line."""

    where: str
    what: str
    mend: str


class BatchRefusal(BaseModel):
    """A line of an answer: why there is no figure of a pack. A stop comes before everything else about it."""

    kind: Literal["refused"] = "refused"
    line: int
    pack_id: str | None = Field(description="Null if the line could not be read so far.")
    reason: str
    stop_codes: list[str] = Field(description="Facts that end the job until something else is done; else empty.")
    instead: list[str] = Field(description="What to do instead, for each of them.")
    problems: list[BatchProblem]
