"""Vehicles as a subject of the store."""

from __future__ import annotations

from functools import partial
from typing import Final

from pydantic import Field

from service.records.alike import alike_in_store
from service.records.schemas import Line, Name, NewRecord
from service.records.subject import Subject
from service.store.schema import Vehicle


class NewVehicle(NewRecord):
    """A vehicle. Nothing in it tells who drives or owns it."""

    id: Name = Field(description="Its fleet number.", examples=["MB-VAN-07"])
    duty: Line | None = Field(None, description="What it is used for.", examples=["parcel round"])
    site: Line | None = Field(None, description="Where it stands.", examples=["harbour yard"])


VEHICLES: Final = Subject(
    name="vehicles",
    one="vehicle",
    table=Vehicle,
    new=NewVehicle,
    example={"id": "MB-VAN-07", "duty": "parcel round", "site": "harbour yard"},
    references={},
    doubts=partial(alike_in_store, table=Vehicle),
)
