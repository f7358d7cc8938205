"""The units that a file's columns may be in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from models.base.errors import BadInput

Scale = tuple[float, float]
"""What a value is multiplied by, and what is then added."""

_TO_V: Final[Mapping[str, Scale]] = {"V": (1.0, 0.0), "mV": (0.001, 0.0)}
_TO_A: Final[Mapping[str, Scale]] = {"A": (1.0, 0.0), "mA": (0.001, 0.0)}
_TO_AH: Final[Mapping[str, Scale]] = {"Ah": (1.0, 0.0), "mAh": (0.001, 0.0)}
_TO_C: Final[Mapping[str, Scale]] = {"C": (1.0, 0.0), "F": (5 / 9, -160 / 9), "K": (1.0, -273.15)}
_TO_H: Final[Mapping[str, Scale]] = {"h": (1.0, 0.0), "min": (1 / 60, 0.0), "s": (1 / 3600, 0.0)}
_TO_KM: Final[Mapping[str, Scale]] = {"km": (1.0, 0.0), "m": (0.001, 0.0), "mi": (1.609344, 0.0)}
"""A mile is 1.609344 km exactly (NIST SP 811, appendix B); the temperature scales likewise."""

UNITS: Final[Mapping[str, Mapping[str, Scale]]] = {
    "block_v": _TO_V,
    "end_v": _TO_V,
    "rest_before_v": _TO_V,
    "rest_after_v": _TO_V,
    "current_a": _TO_A,
    "charge_ah": _TO_AH,
    "temperature_c": _TO_C,
    "ambient_c": _TO_C,
    "duration_h": _TO_H,
    "rest_after_h": _TO_H,
    "odometer_km": _TO_KM,
    "km_per_day": _TO_KM,
}
"""By column of ours; the first unit of each is our own."""


def scale_of(column: str, unit: str) -> Scale:
    """Return how to get from a unit to ours.

    Raises
    ------
    BadInput
        The column has no unit, or this is not one of its.
    """
    known = UNITS.get(column)
    if known is None:
        raise BadInput.one(f"units.{column}", "This column has no unit.", f"Name one of {', '.join(UNITS)}.")
    if unit not in known:
        raise BadInput.one(f"units.{column}", f"The unit {unit!r} is not known.", f"Give one of {', '.join(known)}.")
    return known[unit]
