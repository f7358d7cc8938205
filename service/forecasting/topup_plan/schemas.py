"""What a top-up plan is asked with, and what it answers: the same over REST and on the command line."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, FiniteFloat

from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE
from models.packs.history import PackHistory, UsagePlan
from models.topup.concerns import Worth
from models.topup.possible_packs import Cause
from service.core.translation import N_
from service.forecasting.forecasts.schemas import PackCase, PackQuestion

Ambient = Annotated[FiniteFloat, Field(ge=-50, le=60), NO_TRUTH_VALUE]
Block = Annotated[int, Field(ge=1), NO_TRUTH_VALUE]


class TopUpPlanRequest(PackQuestion):
    """What is asked about a stored pack. All of it may be left out."""

    at: Moment | None = Field(
        None, description="Moment of the plan, with offset; without it the newest reading. Later facts are not used."
    )
    block: Block | None = Field(None, description="Block to charge, counted from 1; without it the weakest.")
    ambient_c: Ambient | None = Field(None, description="Temperature where the pack stands, °C.")
    usage: UsagePlan | None = Field(
        None, description="How the vehicle will be used after the charge; takes the place of the history's own plans."
    )


class TopUpPlanCase(TopUpPlanRequest, PackCase):
    """A pack's whole history, and what is asked about it. A case file holds the same."""

    to_begin: ClassVar[str] = N_("Record a reading of all blocks first.")

    history: PackHistory = Field(description="Everything known about the pack; a top-up need not be among it.")


class _Told(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class Range(_Told):
    """A figure and the range that holds the truth nine times in ten, by trial on simulated packs."""

    best: float
    low: float
    high: float


class Concern(_Told):
    """Something that speaks against the charge, or must be looked at first."""

    code: str
    worth: Worth = Field(description="What it makes of the charge.")
    text: str


class Missing(_Told):
    """What the block lacks, in ampere-hours."""

    missing_ah: Range = Field(
        description="To be stored for the block to stand level with its peers; negative if it stands above them."
    )
    below_peers_ah: Range = Field(description="How much less it holds now than a peer: missing and lost together.")
    lost_ah: Range = Field(description="Part of that which no charge restores: lost capacity.")
    causes: dict[Cause, float] = Field(description="What may be the matter, with its probability.")
    confidence: float
    agreement: float = Field(description="Tiny where the readings hardly fit together in any one pack.")


class StopRule(_Told):
    """A condition on which the charge must stop; whichever comes first."""

    code: str
    limit: float
    unit: str
    text: str


class Charge(_Told):
    """How to put it in."""

    put_in_ah: Range = Field(description="From the supply, with what the charge itself loses.")
    most_ah: float = Field(description="More could overfill a block of small capacity.")
    current_a: float
    duration_h: Range
    most_h: float = Field(description="Time after which `most_ah` has gone in: stop whatever is read.")
    rest_stop_v: Range = Field(description="Rest voltage at which the block is level, hysteresis taken into account.")
    peers_rest_v: float = Field(description="What its peers rest at then.")
    looks_level_at_ah: float = Field(description="Charge after which it reads level although it is not.")
    wait_h: float = Field(description="Hours after the charge before that voltage is read.")
    end_v: Range = Field(description="Block voltage at the end, the current still flowing.")
    stop: list[StopRule]


class ChargeStep(_Told):
    """What a charge of so much buys, by the forecast."""

    put_in_ah: float
    good_for_days: float = Field(description="Days that nine in ten such packs hold.")
    half_back_day: float | None = Field(description="Null beyond the horizon.")
    mean_days: float = Field(description="Mean days held, none counted beyond the horizon.")
    added_mean_days: float | None = Field(description="What this step adds to the one before it; null for the first.")


class Finding(_Told):
    """What a charge reveals."""

    code: str
    text: str


class Comparison(_Told):
    """The newest top-up against what was expected before it."""

    block: int
    topped_at: AwareDatetime
    put_in_ah: float | None = Field(description="As noted.")
    expected_ah: Range = Field(description="What the readings before it would have had put in.")
    rise_v: float | None = Field(description="Rise of the rest deviation over the charge; null if it was not read.")
    expected_rise_v: Range | None = Field(description="The same, expected for what was put in.")
    missing_before_ah: Range = Field(description="Missing before it, the rise of the rest voltage taken into account.")
    still_missing_ah: Range | None = Field(
        description="Missing after it: as a plan says where the block was read at rest since, else by what went in; "
        "null if that was not noted either."
    )
    causes: dict[Cause, float] = Field(description="What may be the matter, the rise taken into account.")
    causes_before: dict[Cause, float]
    findings: list[Finding]


class TopUpPlanAnswer(_Told):
    """A top-up thought through. The cautions come first, and are to be shown first."""

    cautions: list[str]
    sentences: list[str] = Field(description="The plan in plain words, for reading aloud.")
    pack_id: str
    family: str
    at: AwareDatetime
    block: int
    worth: Worth = Field(description="What the gravest of the concerns makes of the charge. Never a permission.")
    concerns: list[Concern]
    missing: Missing
    charge: Charge | None = Field(description="Null where too little is missing, or no more could safely go in.")
    steps: list[ChargeStep] = Field(
        description="What each further half ampere-hour buys, from a good half of what is missing."
    )
    basis: list[str] = Field(description="What the figures rest on.")
    comparison: Comparison | None = Field(
        description="The newest top-up looked back on; null without one, or without a reading of its block before it."
    )
    model_id: str = Field(description="Of the forecaster that says what a charge buys.")
