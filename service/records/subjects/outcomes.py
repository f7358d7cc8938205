"""Outcomes as a subject of the store."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Final

from pydantic import Field, FiniteFloat

from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE
from models.packs.history import Outcome
from service.records.schemas import PackName
from service.records.slips import slips
from service.records.subject import Subject
from service.store.schema import Outcome as OutcomeRow
from service.store.schema import Pack


class NewOutcome(Outcome):
    """What became of a pack after a top-up."""

    pack_id: PackName
    time: Moment
    code: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 .:-]{0,15}$")] | None = Field(
        None, description="The generic trouble code (SAE J2012-DA).", examples=["P0A80"]
    )
    odometer_km: Annotated[FiniteFloat, Field(ge=0, le=5e6), NO_TRUTH_VALUE] | None = None


OUTCOMES: Final = Subject(
    name="outcomes",
    one="outcome",
    table=OutcomeRow,
    new=NewOutcome,
    example={
        "pack_id": "MB-VAN-07",
        "time": "2026-03-13T07:20:00+00:00",
        "kind": "returned",
        "code": "P0A80",
        "odometer_km": 210840,
        "found": "leak",
    },
    references={"pack_id": Pack},
    unique=("pack_id", "time"),
    filters=("pack_id", "kind"),
    time="time",
    doubts=partial(slips, word="outcome"),
    happened=("time",),
    ordered="outcomes",
)
