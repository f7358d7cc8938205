"""The units that a file's columns may be in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from models.base.errors import BadInput
from models.packs.fields import columns_of
from models.packs.history import PackHistory
from models.packs.tables import FACTS

Scale = tuple[float, float]
"""What a value is multiplied by, and what is then added."""

_SCALES: Final[Mapping[str, Mapping[str, Scale]]] = {
    "V": {"V": (1.0, 0.0), "mV": (0.001, 0.0)},
    "A": {"A": (1.0, 0.0), "mA": (0.001, 0.0)},
    "Ah": {"Ah": (1.0, 0.0), "mAh": (0.001, 0.0)},
    "°C": {"C": (1.0, 0.0), "F": (5 / 9, -160 / 9), "K": (1.0, -273.15)},
    "h": {"h": (1.0, 0.0), "min": (1 / 60, 0.0), "s": (1 / 3600, 0.0)},
    "km": {"km": (1.0, 0.0), "m": (0.001, 0.0), "mi": (1.609344, 0.0)},
    "mΩ": {"mOhm": (1.0, 0.0), "Ohm": (1000.0, 0.0)},
    "%": {"%": (1.0, 0.0), "1": (100.0, 0.0)},
}
"""By our unit. A mile is 1.609344 km exactly (NIST SP 811, appendix B); the temperature scales likewise."""

UNITS: Final[Mapping[str, Mapping[str, Scale]]] = {
    "block_v": _SCALES["V"],
    **{
        column.name: _SCALES[column.measured.unit]
        for fact in (PackHistory, *FACTS.values())
        for column in columns_of(fact)
        if column.measured is not None and column.measured.unit in _SCALES
    },
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
