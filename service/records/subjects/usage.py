"""Plans of use as a subject of the store."""

from __future__ import annotations

from typing import Final

from models.base.moments import Moment
from models.packs.history import UsagePlan
from service.records.schemas import PackName
from service.records.subject import Subject
from service.store.schema import Pack, Usage


class NewUsagePlan(UsagePlan):
    """How the vehicle of a pack will be used, as planned at some time."""

    pack_id: PackName
    time: Moment


USAGE: Final = Subject(
    name="usage",
    one="usage-plan",
    table=Usage,
    new=NewUsagePlan,
    example={
        "pack_id": "MB-VAN-07",
        "time": "2026-03-02T12:50:00+00:00",
        "km_per_day": 22,
        "trips_per_day": 2,
        "ambient_c": 17,
    },
    references={"pack_id": Pack},
    unique=("pack_id", "time"),
    filters=("pack_id",),
    time="time",
)
