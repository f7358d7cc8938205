"""What a stock figure is asked with, and what it answers."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from models.base.numbers import NO_TRUTH_VALUE
from service.decisions.basis.costs import NOTHING_STATED, StatedCosts
from service.decisions.release.schemas import EarlyToLate
from service.records.schemas import LARGEST_NUMBER


class StockRequest(BaseModel):
    """What is asked about the packs of one family."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    on_shelf: Annotated[int, Field(ge=0, le=100_000), NO_TRUTH_VALUE] = Field(
        description="Packs on the shelf now: count them."
    )
    offer_id: Annotated[int, Field(ge=1, le=LARGEST_NUMBER), NO_TRUTH_VALUE] | None = Field(
        None, description="The offer that the shelf is filled from; without it the cheapest to pay that stands today."
    )
    new_cases_per_day: Annotated[FiniteFloat, Field(ge=0, le=1_000), NO_TRUTH_VALUE] | None = Field(
        None, description="New cases a day that want a pack; without it as the record of top-ups shows."
    )
    costs: StatedCosts = Field(
        NOTHING_STATED,
        description="`day_off_road` weighs a pack too few, `capital_per_day` one too many; nothing has a default.",
    )


class StockLevel(BaseModel):
    """A stock level and what it does."""

    packs: int
    covers: float = Field(description="Chance that a lead time passes without a pack too few.")
    shortage: float = Field(description="Expected packs too few in a lead time.")
    surplus: float = Field(description="Expected packs left over in a lead time.")
    cost: float = Field(description="Expected cost of both, for a lead time.")


class StockAnswer(BaseModel):
    """The stock to hold over a lead time."""

    family: str
    as_of: datetime
    offer_id: int
    supplier: str
    lead_days: EarlyToLate
    currency: str
    ratio: float = Field(description="Share of lead times that the stock should cover: short / (short + surplus).")
    open_cases: int = Field(
        description="Open cases weighed: the entries of the order queue of this family. Others stand in `sentence`."
    )
    from_open_cases: float = Field(description="Packs that these are expected to want in a lead time.")
    new_cases_per_day: float
    expected_demand: float
    unclaimed: float = Field(
        description="Chance that the delivery takes longer than the forecast or the record reaches; then all figures "
        "are least values."
    )
    on_shelf: int
    on_order: int = Field(description="Open orders of this family that are not for a case.")
    arrived_for_vehicles: int = Field(
        description="Packs that came for open cases and wait to be fitted: not counted, and not to be counted in "
        "`on_shelf`."
    )
    hold: int = Field(description="Packs to have on the shelf and on order together.")
    to_order: int
    levels: list[StockLevel] = Field(description="That level and its neighbours.")
    sentence: str
    basis: list[str]
    cautions: list[str]
