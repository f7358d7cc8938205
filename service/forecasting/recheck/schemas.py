"""What a recheck plan is asked with, and what it answers: the same over REST and on the command line."""

from __future__ import annotations

from typing import Annotated

from pydantic import AwareDatetime, BaseModel, Field, FiniteFloat

from models.base.numbers import NO_TRUTH_VALUE
from models.interventions.recheck import DEFAULT_RISK, HIGHEST_RISK, LOWEST_RISK
from service.forecasting.forecasts.schemas import EvidenceFlag, PackCase, PackQuestion


class RecheckRequest(PackQuestion):
    """What is asked about a stored pack. All of it may be left out."""

    risk: Annotated[FiniteFloat, Field(ge=LOWEST_RISK, le=HIGHEST_RISK), NO_TRUTH_VALUE] = Field(
        DEFAULT_RISK, description="Probability of a return that is not to be passed."
    )


class RecheckCase(PackCase, RecheckRequest):
    """A pack's whole history, and what is asked about it. A case file holds the same."""


class ReadingRow(BaseModel):
    """What a rest reading on the day of the recheck will mean."""

    low_mv: float | None = Field(
        description="How far the topped block lies below the median of all blocks at rest, mV, from; null: no edge."
    )
    high_mv: float | None = Field(description="The same, up to; null: no edge.")
    share: float = Field(description="Of such packs still holding on that day, how many will read so.")
    good_for_days: float = Field(
        description="Further days within the chosen risk that the forecast tells at least, once such a reading is "
        "entered; the horizon if there or beyond."
    )
    beyond_horizon: bool
    return_7: float | None = Field(
        description="Probability that the fault returns within a week of that reading; null where no simulated pack "
        "read so, or such a reading forbids driving."
    )
    return_14: float | None = Field(description="The same, within two weeks.")
    stop: bool = Field(
        description="The risk passes the limit within a day, such a reading forbids driving, or no simulated pack read "
        "so: not to be driven on with."
    )
    sentence: str


class DayWorth(BaseModel):
    """What a reading on a day is worth."""

    day: int
    worth_days: float


class RecheckAnswer(BaseModel):
    """When to read again and what it will mean, with the cautions that always go with it."""

    pack_id: str
    family: str
    origin: AwareDatetime = Field(description="Moment of the plan; all days count from here.")
    risk: float
    limit_day: float | None = Field(
        description="Day on which the risk passes the limit; null if beyond the horizon, and where days are withheld."
    )
    day: int | None = Field(description="Day of the recheck; null if the risk passes the limit before a day is over.")
    recheck_at: AwareDatetime | None = Field(description="That day as a date; null where reading on it gains nothing.")
    worth_days: float = Field(description="Further days of use that the reading brings on average, at the same risk.")
    candidates: list[DayWorth] = Field(description="Every day compared.")
    table: list[ReadingRow] = Field(description="From the highest reading downwards; empty without a day.")
    effective_packs: float = Field(description="How many equally good simulated packs the answer rests on.")
    flags: list[EvidenceFlag]
    first: list[str] = Field(
        description="To be known before any figure is read: what is to be looked at, and from when days count."
    )
    sentences: list[str] = Field(description="The answer in plain words, for reading aloud.")
    cautions: list[str]
    model_id: str
    inputs_digest: str = Field(description="Digest of the inputs: the same inputs give the same answer.")
