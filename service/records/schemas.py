"""What the schemas of all subjects share."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Discriminator, Field, FiniteFloat, Tag

from models.base.numbers import NO_TRUTH_VALUE
from service.http.problems import MANY, ONE

LARGEST_NUMBER: Final = 2**63 - 1

Name = Annotated[str, Field(max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
"""A fleet number or another name that can stand in an address; it must not tell who a person is."""
Line = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]+$")]
RecordNumber = Annotated[int, Field(ge=1, le=LARGEST_NUMBER), NO_TRUTH_VALUE]
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
    reason: str | None = Field(description="Why it was corrected or withdrawn, where somebody said so.")
    content: dict[str, object]


class RecordVersions(BaseModel):
    """Every version of a record, the oldest first."""

    items: list[RecordVersion]


MOST_TOGETHER: Final = 10_000


def one_or_many(kind: type[BaseModel]) -> Any:
    """Return the type of a body that is one record, or an array of up to `MOST_TOGETHER` of them.

    Whoever sends an array is told of the first record that is wrong in itself: a fault of each of ten thousand would
    take more room than the array.
    """
    many: Any = Annotated[list[kind], Field(fail_fast=True, min_length=1, max_length=MOST_TOGETHER), Tag(MANY)]  # type: ignore[valid-type]
    return Annotated[Annotated[kind, Tag(ONE)] | many, Discriminator(_one_or_many)]


def _one_or_many(body: object) -> str:
    return MANY if isinstance(body, list) else ONE


class RecordsMade(BaseModel):
    """What came of an array: the numbers or names of the records, in the order in which they were sent."""

    ids: list[int | str]
