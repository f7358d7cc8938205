"""What a what-if is asked with, and what it answers: the same over REST and on the command line."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from models.base.day_grid import HORIZON_DAYS
from models.base.errors import BadInput, wrong
from models.base.numbers import NO_TRUTH_VALUE, Truth
from models.interventions.plans import Plan
from models.interventions.what_if import MOST_PLANS
from service.forecasting.forecasts.schemas import EvidenceFlag, PackCase, PackQuestion

Share = Annotated[FiniteFloat, Field(ge=0, le=5), NO_TRUTH_VALUE]


class OtherPlan(BaseModel):
    """One way to go on from the moment of the forecast. What is left out stays as planned."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Annotated[str, Field(min_length=1, max_length=80)] = Field(description="To tell plans apart by.")
    km_share: Share = Field(1.0, description="Kilometres a day relative to the present plan: 0.5 is half.")
    trips_share: Share = Field(1.0, description="Trips a day, likewise.")
    cooler_k: Annotated[FiniteFloat, Field(ge=-30, le=30), NO_TRUTH_VALUE] = Field(
        0.0, description="How much cooler it is parked, K; negative is warmer."
    )
    start_after_days: Annotated[int, Field(ge=0, le=HORIZON_DAYS), NO_TRUTH_VALUE] = Field(
        0, description="Days for which it stands before it is used."
    )
    topped_blocks: Literal[0, 1, 2] = Field(
        0, description="Blocks given one more topping charge now: 1 the one topped last, 2 that and the next weakest."
    )
    stored_ah: Annotated[FiniteFloat, Field(gt=0, le=500), NO_TRUTH_VALUE] | None = Field(
        None, description="Charge that stays in each of them, Ah; left out, each is brought level with the others."
    )
    clean_joints: Truth = Field(
        False,
        description="The connections between the blocks are cleaned, or replaced, and tightened as the maker says.",
    )
    swap_block: Truth = Field(
        False, description="The block topped last is exchanged for a sound one; the rest stays, weakest block included."
    )
    replace_pack: Truth = Field(False, description="The whole pack is exchanged for a new one.")

    @model_validator(mode="after")
    def _one_plan(self) -> Self:
        try:
            self.plan()
        except BadInput as error:
            problem = error.problems[0]
            raise wrong(f"{problem.where}: {problem.what}", problem.mend) from error
        return self

    def plan(self) -> Plan:
        """Return it as the models take it."""
        return Plan(**self.model_dump())

    @classmethod
    def of(cls, plan: Plan) -> Self:
        """Return a plan of the models as it is told."""
        return cls(**vars(plan))


class WhatIfRequest(PackQuestion):
    """What is asked about a stored pack. All of it may be left out."""

    plans: Annotated[tuple[OtherPlan, ...], Field(min_length=1, max_length=MOST_PLANS)] | None = Field(
        None, description="The plans to compare with the present one; left out, the usual ones."
    )


class WhatIfCase(PackCase, WhatIfRequest):
    """A pack's whole history, and what is asked about it. A case file holds the same."""


class PlanAnswer(BaseModel):
    """The forecast under one plan."""

    plan: OtherPlan
    survival: list[float] = Field(description="Probability that the fault has not returned by each day.")
    gain: list[float] = Field(description="Hold probability gained over the present plan by each day.")
    gain_low: list[float] = Field(description="Nine in ten of what it could be, given the evidence: lower edge.")
    gain_high: list[float]
    mean_days: float = Field(description="Mean of the days held, counting none beyond the horizon.")
    gained_days: float = Field(description="Of these, gained over the present plan.")
    gained_low: float
    gained_high: float
    verdict: Literal["as planned", "longer", "shorter", "cannot tell"] = Field(
        description="Whether the evidence tells this plan from the present one."
    )
    opens_pack: bool = Field(description="Somebody has to open the pack for it: see the cautions.")
    sentence: str


class WhatIfAnswer(BaseModel):
    """Forecasts under several plans, with the cautions that always go with them. No plan is recommended."""

    pack_id: str
    family: str
    origin: AwareDatetime = Field(description="Moment of the forecast; all days count from here.")
    days_held: float
    horizon_days: float
    days: list[float] = Field(description="The day grid.")
    plans: list[PlanAnswer] = Field(
        description="The present plan first; its curve is that of `POST /v1/forecasts`. Empty where a flag "
        "withholds the forecast's days: no plan is weighed of a pack that must not be driven yet."
    )
    cannot_tell: list[tuple[str, str]] = Field(description="Pairs of plans that the evidence does not tell apart.")
    effective_packs: float = Field(description="How many equally good simulated packs the answer rests on.")
    agreement_gap: float = Field(
        description="Largest distance between their own curve and the forecast before the two were reconciled."
    )
    flags: list[EvidenceFlag]
    first: list[str] = Field(
        description="To be known before any figure is read: what is to be looked at, and from when days count."
    )
    sentences: list[str] = Field(description="The answer in plain words, for reading aloud.")
    cautions: list[str]
    model_id: str
    inputs_digest: str = Field(description="Digest of the inputs: the same inputs give the same answer.")
