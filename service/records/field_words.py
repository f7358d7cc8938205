"""What kinds of records, and their fields, are called in sentences for people; `where` keeps the field's own name."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Final

from service.core.translation import N_, _

KINDS: Final[Mapping[str, str]] = {
    "topup": N_("top-up"),
    "usage-plan": N_("plan of use"),
    "delivery": N_("order"),
    "cost": N_("statement of costs"),
}
"""Where a kind is called otherwise than in addresses."""

FIELDS: Final[Mapping[str, str]] = {
    "pack_id": N_("pack"),
    "vehicle_id": N_("vehicle"),
    "time": N_("time"),
    "id": N_("number"),
    "block_v": N_("voltages"),
    "resistance_mohm": N_("resistances"),
    "current_a": N_("current (A)"),
    "temperature_c": N_("temperature (°C)"),
    "inspected": N_("what a look found"),
    "code": N_("fault code"),
    "code_state": N_("state of the fault code"),
    "soc_pct": N_("state of charge told by the car (%)"),
    "spread_v": N_("spread told by the car (V)"),
    "blocks": N_("blocks charged"),
    "charge_ah": N_("charge put in (Ah)"),
    "end_v": N_("end voltage (V)"),
    "duration_h": N_("duration (h)"),
    "rest_before_v": N_("rest voltage before the charge (V)"),
    "rest_after_v": N_("rest voltage after the charge (V)"),
    "rest_after_h": N_("hours from the charge to its rest voltage"),
    "also_done": N_("what else was done"),
    "km_per_day": N_("km a day"),
    "trips_per_day": N_("trips a day"),
    "ambient_c": N_("temperature outside (°C)"),
    "parked_days_in_30": N_("days parked in 30"),
}


def kind_word(one: str) -> str:
    """Return what people call a record of a kind."""
    return _(KINDS.get(one, one))


def field_words(names: Iterable[str]) -> str:
    """Return what people call some fields, in one phrase."""
    return _(" and ").join(_(FIELDS.get(name, name.replace("_", " "))) for name in names)


def to_the_minute(time: datetime) -> str:
    """Write a moment as sentences have it."""
    return time.isoformat(sep=" ", timespec="minutes")
