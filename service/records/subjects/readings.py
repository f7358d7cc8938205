"""Block readings as a subject of the store."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Final

from models.base.errors import Problem
from models.base.moments import Moment
from models.packs.history import BlockReading
from service.records.block_order import in_other_order
from service.records.schemas import PackName
from service.records.sense import fits_family
from service.records.slips import slips
from service.records.subject import Situation, Subject
from service.store.schema import Pack, Reading


class NewReading(BlockReading):
    """One snapshot of all block voltages of a pack. Discharge current is positive."""

    pack_id: PackName
    time: Moment


def _doubts(situation: Situation, now: datetime) -> list[Problem]:
    return [*slips(situation, now, "reading"), *in_other_order(situation)]


READINGS: Final = Subject(
    name="readings",
    one="reading",
    table=Reading,
    new=NewReading,
    example={
        "pack_id": "MB-VAN-07",
        "time": "2026-03-02T08:10:00+00:00",
        "state": "rest",
        "current_a": 0,
        "temperature_c": 16,
        "inspected": "label",
        "block_v": [13.0, 13.01, 13.02, 12.99, 12.82, 13.02, 13.01, 12.99, 13.0, 13.0, 12.99, 13.0, 13.03, 13.03],
    },
    references={"pack_id": Pack},
    unique=("pack_id", "time"),
    filters=("pack_id", "state"),
    time="time",
    happened=("time",),
    check=partial(fits_family, kind=BlockReading),
    doubts=_doubts,
)
