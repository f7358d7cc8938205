"""Statements of costs as a subject of the store."""

from __future__ import annotations

from typing import Final

from pydantic import Field

from service.records.cost_words import MEANING
from service.records.schemas import Amount, Name, NewRecord
from service.records.subject import Subject
from service.records.subjects.suppliers import Currency
from service.store.schema import CostSheet

HOUSE: Final = "house"
"""Name of the statement that decisions use where a request states no cost of its own."""


class NewCostSheet(NewRecord):
    """What being wrong costs. Nothing has a default; what is left out is asked for by the decision that needs it."""

    id: Name = Field(description=f"Decisions use the one named `{HOUSE}`.", examples=[HOUSE])
    currency: Currency = Field(description="Code of ISO 4217, of all amounts.", examples=["EUR"])
    stranding: Amount | None = Field(None, description=MEANING["stranding"])
    day_off_road: Amount | None = Field(None, description=MEANING["day_off_road"])
    capital_per_day: Amount | None = Field(None, description=MEANING["capital_per_day"])
    return_value: Amount | None = Field(None, description=MEANING["return_value"])
    planned_work: Amount | None = Field(None, description=MEANING["planned_work"])
    return_work: Amount | None = Field(None, description=MEANING["return_work"])


COSTS: Final = Subject(
    name="costs",
    one="cost-sheet",
    table=CostSheet,
    new=NewCostSheet,
    example={
        "id": HOUSE,
        "currency": "EUR",
        "stranding": 600,
        "day_off_road": 60,
        "capital_per_day": 0.5,
        "return_value": 900,
        "planned_work": 180,
        "return_work": 250,
    },
    references={},
)
