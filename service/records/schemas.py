"""What the schemas of all subjects share."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, FiniteFloat

from models.base.errors import wrong

LARGEST_NUMBER: Final = 2**63 - 1


def _no_truth_value(value: object) -> object:
    if isinstance(value, bool):
        raise wrong(f"{str(value).lower()} is no number.", "Give a number, or leave it out.")
    return value


NO_TRUTH_VALUE: Final = BeforeValidator(_no_truth_value)
"""In JSON, false is not 0: a cost or a count that nobody stated must not become one."""

Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
"""A fleet number or another name that can stand in an address; it must not tell who a person is."""
Line = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]+$")]
RecordNumber = Annotated[int, Field(ge=1, le=LARGEST_NUMBER)]
PackName = Annotated[Name, Field(description="The pack it is about.", examples=["MB-VAN-07"])]
Amount = Annotated[FiniteFloat, Field(ge=0, le=1e9), NO_TRUTH_VALUE]


class NewRecord(BaseModel):
    """What is sent in to make a record."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class RecordFacts(BaseModel):
    """What is known about every record besides its content."""

    version: int = Field(description="1 at first; every correction counts on.")
    recorded_at: datetime = Field(description="When this version was recorded.")
    recorded_by: str = Field(description="The access key that recorded it; `anyone` where there are no keys.")


class RecordVersion(BaseModel):
    """A record as it stood at some time."""

    version: int
    recorded_at: datetime
    recorded_by: str
    superseded_at: datetime | None = Field(description="When it was corrected or withdrawn; null if it stands.")
    superseded_by: str | None
    withdrawn: bool = Field(description="Whether the record was then withdrawn rather than corrected.")
    content: dict[str, object]


class RecordVersions(BaseModel):
    """Every version of a record, the oldest first."""

    items: list[RecordVersion]
