"""The cautions shown with every forecast: somebody may open a pack, charge a block or drive on one."""

from __future__ import annotations

from typing import Final

from service.core.translation import N_

DRIVING: Final = (
    N_(
        "A probability is not permission: a licensed technician decides whether the vehicle may go, under local "
        "rules and the maker's service instructions."
    ),
    N_(
        "A vehicle on a topped-up pack may stop driving without warning. No motorway, no remote trips, nobody who "
        "depends on arriving; agree beforehand who recovers it and how."
    ),
)
"""Common practice, no source."""

PACK_WORK: Final = (
    N_(
        "Pack work is for trained, licensed technicians. Rated insulating gloves (class 0, ASTM D120), air-tested "
        "and looked over before every use (ASTM F496), leather protectors over them."
    ),
    N_(
        "Take off 12 V power and the service disconnect, wait as long as the maker says for the capacitors, then "
        "prove absence of voltage with a meter made for it. The inside of the pack stays live whatever is "
        "disconnected."
    ),
    N_(
        "The electrolyte is caustic (about pH 13.5): eye and skin protection, water at hand. Edges are sharp, and "
        "a pack is lifted by two."
    ),
)
"""ASTM D120 and F496; the electrolyte and the lift are common practice, no source."""

CHARGING: Final = (
    N_(
        "A topping charge is gentle (about a tenth of the rated current), timed, watched and ventilated, with the "
        "modules clamped. Stop when the temperature climbs about 1 °C a minute, at 10 °C over the room, at 45 °C, "
        "or at 1.5 V a cell; never charge below 0 °C. Overcharged cells vent gas that burns."
    ),
)
"""1.5 V a cell: NREL ADVISOR data file ESS_NIMH6, for nickel-metal hydride; the rest from memory, unverified."""

CAUTIONS: Final[tuple[str, ...]] = DRIVING + PACK_WORK + CHARGING
"""All of them, the most pressing first. No option turns them off. Said through
`service.core.translation.translated`.
"""
