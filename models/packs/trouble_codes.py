"""Generic trouble codes that tell of danger to people, whatever the charge of the blocks is.

Codes and their meaning are those of SAE J2012-DA (ISO 15031-6), by public tables where nothing else is said. What they
mean for who stands at the pack is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from models.base.messages import Said, say

ISOLATION: Final = "P0AA6"
"""Hybrid battery voltage system isolation fault: the high-voltage system leaks to the chassis."""

STORED: Final = ("pending", "confirmed", "permanent")
"""How a code may be stored; one that was seen once already tells of the danger."""

_CONTACTOR: Final = say(
    "a contactor of the pack does not open, so its leads may stay live with the vehicle switched off"
)

DANGERS: Final[Mapping[str, Said]] = {
    "P0A7E": say("the pack got too hot, so cells may have vented or be damaged"),
    "P0AFB": say("the voltage of the pack got too high, so cells may be overcharged"),
}
"""Codes of what a cell may have suffered: over-temperature, system voltage high. It shows as swelling or a leak."""

LIVE_PARTS: Final[Mapping[str, Said]] = {
    "P0A0A": say("a plug or a cover of the high-voltage system may be open, and live parts bare"),
    "P0AA1": _CONTACTOR,
    "P0AA4": _CONTACTOR,
}
"""Codes of parts that may be live where nobody expects it: the interlock's circuit, positive and negative contactor
stuck closed (these two from memory, unverified). No look at the cells tells of that: absence of voltage is proved, with
everything closed up again the insulation is measured."""
