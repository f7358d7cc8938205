"""The value of a feature, as a mechanic would say it."""

from __future__ import annotations

from typing import Final

from models.base import counts
from models.base.messages import Said, say
from models.base.percents import level_percent
from models.features.definitions import FEATURES

_IN_FULL: Final = 100.0
"""From here on a number is told in full instead of to three figures. Our choice."""

_UNIT: Final = {feature.name: feature.unit for feature in FEATURES}


def plain_value(name: str, value: float) -> Said:
    """Write a feature's value with its unit in words, to three figures, or in full from a hundred on."""
    unit, number = _UNIT[name], f"{value:.0f}" if abs(value) >= _IN_FULL else f"{value:.3g}"
    match unit:
        case "share" | "share/day":
            return say("%(share)s of its rated capacity", share=level_percent(float(f"{value:.3g}")))
        case "mV":
            return say("%(number)s mV a cell", number=number)
        case "mV/day":
            return say("%(number)s mV a cell and day", number=number)
        case "mΩ":
            return say("%(number)s mΩ a cell", number=number)
        case "V":
            return say("%(number)s V a cell above the middle of its range", number=number)
        case "1/h":
            return say("%(number)s of its rated capacity an hour", number=number)
        case "km/day":
            return say("%(number)s km", number=number)
        case "days":
            return counts.days(value)
        case "years":
            return counts.years(float(number))
        case "h":
            return counts.hours(value)
        case "1" | "1/day":
            return say("%(number)s", number=number)
        case _:
            return say("%(number)s %(unit)s", number=number, unit=unit)
