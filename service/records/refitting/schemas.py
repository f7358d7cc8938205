"""What is said when another pack goes into a vehicle, and what came of it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE
from service.records.schemas import Name


class Refit(BaseModel):
    """Another pack in a vehicle."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    pack_id: Name = Field(
        description="The pack that goes in. If it is not known yet, it is recorded.", examples=["MB-P-0815"]
    )
    family: Annotated[str, Field(max_length=31)] | None = Field(
        None, description="Its family; needed where the pack is not known yet.", examples=["gravel-14"]
    )
    age_years: Annotated[FiniteFloat, Field(ge=0, le=60), NO_TRUTH_VALUE] | None = Field(
        None, description="Its age now, of a pack that is not known yet; 0 if it is new."
    )
    odometer_km: Annotated[FiniteFloat, Field(ge=0, le=5e6), NO_TRUTH_VALUE] | None = Field(
        None, description="Of the vehicle, at the change."
    )
    at: Moment | None = Field(None, description="When it was changed; now if left out.")
    old_became: Literal["replaced", "returned"] = Field(
        "replaced",
        description="What became of the old pack's top-up, where it was out on one: its case ends with the change.",
    )


class Refitted(BaseModel):
    """What came of it: one assignment ended, the next begun."""

    vehicle_id: str
    pack_id: str
    assignment_id: int
    old_pack_id: str | None = Field(description="The pack that came out; null if there was none.")
    old_assignment_id: int | None
    outcome_id: int | None = Field(description="The outcome that ended the old pack's case; null if none was open.")
    said: list[str] = Field(description="The same in sentences, with what is still to be done.")
