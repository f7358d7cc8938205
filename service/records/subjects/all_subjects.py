"""Every subject of the store, in an order in which each only names those before it."""

from __future__ import annotations

from typing import Final

from service.records.subject import Subject
from service.records.subjects.costs import COSTS
from service.records.subjects.outcomes import OUTCOMES
from service.records.subjects.packs import ASSIGNMENTS, PACKS
from service.records.subjects.readings import READINGS
from service.records.subjects.suppliers import DELIVERIES, OFFERS, SUPPLIERS
from service.records.subjects.topups import TOPUPS
from service.records.subjects.usage import USAGE
from service.records.subjects.vehicles import VEHICLES

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
