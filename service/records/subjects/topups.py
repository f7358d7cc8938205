"""Topping charges as a subject of the store."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Final

from pydantic import Field, FiniteFloat

from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE
from models.packs.history import TopUp
from service.records.schemas import PackName
from service.records.sense import fits_family
from service.records.subject import Subject
from service.store.schema import Pack
from service.store.schema import TopUp as TopUpRow

BlockNumber = Annotated[int, Field(ge=1, le=200), NO_TRUTH_VALUE]


class NewTopUp(TopUp):
    """One topping charge of one or more blocks; its time is the end of the charge."""

    pack_id: PackName
    time: Moment
    blocks: Annotated[tuple[BlockNumber, ...], Field(min_length=1, max_length=200)]
    rest_before_v: Annotated[FiniteFloat, Field(ge=-250), NO_TRUTH_VALUE] | None = None
    rest_after_v: Annotated[FiniteFloat, Field(ge=-250), NO_TRUTH_VALUE] | None = None


TOPUPS: Final = Subject(
    name="topups",
    one="topup",
    table=TopUpRow,
    new=NewTopUp,
    example={
        "pack_id": "MB-VAN-07",
        "time": "2026-03-02T12:50:00+00:00",
        "blocks": [5],
        "charge_ah": 1.1,
        "end_v": 13.45,
        "duration_h": 2.0,
        "rest_after_v": 13.21,
        "rest_after_h": 17.3,
    },
    references={"pack_id": Pack},
    unique=("pack_id", "time"),
    filters=("pack_id",),
    time="time",
    happened=("time",),
    check=partial(fits_family, kind=TopUp),
    ordered="topups",
)
