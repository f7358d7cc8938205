"""A forecast with what moves it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from models.features.definitions import Evidence
from models.forecasts.attribution import Contribution
from models.forecasts.forecast import Forecast
from models.forecasts.similar_packs import SimilarPack

READ_OFF_V: Final = 0.1
"""By how much one reading is taken to be off, to show what it would change: ten counts of a meter that reads to 0.01 V.
Our choice."""


@dataclass(frozen=True)
class Explanation:
    """A forecast with what moves it.

    Attributes
    ----------
    reference_days : float
        Mean days held (to the horizon) that would be forecast if nothing but the family and the days held were known.
    contributions : tuple of Contribution
        What each kind of evidence adds to that; together they make up `mean_days`.
    similar : tuple of SimilarPack
        The most similar past packs; none if the model holds none.
    read_off : tuple of two floats, or None
        Mean days held if the newest reading of the topped block at rest had been `READ_OFF_V` lower, and higher; None
        where it was not read at rest.
    worth : mapping of evidence to float
        How far each kind of missing evidence would move the forecast, in days
        (`models.forecasts.value_of_information`).
    """

    forecast: Forecast
    reference_days: float
    contributions: tuple[Contribution, ...]
    similar: tuple[SimilarPack, ...]
    worth: Mapping[Evidence, float]
    read_off: tuple[float, float] | None = None

    @property
    def mean_days(self) -> float:
        """What is taken apart: `Forecast.restricted_mean`, as if no more had gone in than was missing."""
        return self.reference_days + sum(part.days for part in self.contributions)
