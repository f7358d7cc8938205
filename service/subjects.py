"""Every subject of the store, in an order in which each only names those before it."""

from __future__ import annotations

from typing import Final

from service.costs.subject import COSTS
from service.outcomes.subject import OUTCOMES
from service.packs.subject import ASSIGNMENTS, PACKS
from service.readings.subject import READINGS
from service.records.subject import Subject
from service.suppliers.subject import DELIVERIES, OFFERS, SUPPLIERS
from service.topups.subject import TOPUPS
from service.usage.subject import USAGE
from service.vehicles.subject import VEHICLES

SUBJECTS: Final[tuple[Subject, ...]] = (
    VEHICLES,
    PACKS,
    ASSIGNMENTS,
    READINGS,
    TOPUPS,
    USAGE,
    OUTCOMES,
    COSTS,
    SUPPLIERS,
    OFFERS,
    DELIVERIES,
)
