"""Invented places and their climate, as a yearly mean and swing; and how their fleets drive."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from models.base.errors import BadInput


@dataclass(frozen=True)
class Place:
    """An invented place.

    Attributes
    ----------
    mean_c, swing_c : float
        Yearly mean temperature and half the yearly range of monthly means, °C.
    peak_day : float
        Day of the year with the warmest weather.
    km_factor : float
        Kilometres relative to Marrow Bay.
    """

    name: str
    mean_c: float
    swing_c: float
    peak_day: float
    km_factor: float


PLACES: Mapping[str, Place] = {
    place.name: place
    for place in (
        Place("marrow-bay", 12.0, 6.0, 215.0, 1.0),
        Place("cinder-flats", 25.0, 9.0, 205.0, 1.2),
        Place("high-tarn", 5.0, 11.0, 200.0, 0.9),
        Place("reed-delta", 26.0, 2.5, 120.0, 0.85),
    )
}
"""All invented: a mild island, a hot plain, cold hills and a humid delta."""

FAR_PLACES: Mapping[str, Place] = {"ember-reach": Place("ember-reach", 33.0, 5.0, 205.0, 1.6)}
"""Invented, and no part of a cohort unless named: to see what becomes of a forecast where its model never learned."""


def place_of(name: str) -> Place:
    """Return a place by name.

    Raises
    ------
    BadInput
        If there is none of that name.
    """
    places = {**PLACES, **FAR_PLACES}
    if name not in places:
        raise BadInput.one("place", f"'{name}' is not a known place.", f"Choose one of {', '.join(places)}.")
    return places[name]
