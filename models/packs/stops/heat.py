"""Packs that are, or have been, hotter than cells may be."""

from __future__ import annotations

from typing import Final

from models.base.messages import Said, say
from models.packs.stops.known import Known, moment

HOTTEST_PACK_C: Final = 60.0
"""Nothing is driven on or opened from this on. From memory, unverified: where the usual discharging range of such cells
ends."""


def hot(known: Known) -> Said | None:
    """Find that the pack was last read too hot to be near it, in whatever state."""
    read = [r for r in known.readings if r.temperature_c is not None]
    if not read or (last := read[-1]).temperature_c is None or last.temperature_c < HOTTEST_PACK_C:
        return None
    return say(
        "The pack was last read at %(read)s °C, on %(when)s: at %(hottest)s °C or more nobody goes near it.",
        read=f"{last.temperature_c:g}",
        when=moment(last.time),
        hottest=f"{HOTTEST_PACK_C:g}",
    )


def was_hot(known: Known) -> Said | None:
    """Find that it was so hot before, and that nobody has looked at it since."""
    read = [(r.temperature_c, r.time) for r in known.readings if r.temperature_c is not None]
    warmest, time = max(((c, t) for c, t in read[:-1] if t > known.done_by("was-hot")), default=(0.0, None))
    if time is None or warmest < HOTTEST_PACK_C or read[-1][0] >= HOTTEST_PACK_C:
        return None
    return say(
        "The pack was read at %(read)s °C on %(when)s and is cooler now: at %(hottest)s °C or more cells may have "
        "vented, and cooling mends no fault.",
        read=f"{warmest:g}",
        when=moment(time),
        hottest=f"{HOTTEST_PACK_C:g}",
    )
