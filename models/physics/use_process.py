"""How use and weather go from day to day: weekdays, parking spells, season, and their noise."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.driving import DayUse, day_use
from models.physics.pack_state import FloatArray

YEAR_DAYS: Final = 365.25
KM_SD: Final = 0.35
"""Standard deviation of the logarithm of a day's kilometres. Invented."""

WEATHER_SD_C: Final = 2.5
"""Standard deviation of the daily temperature around its season, °C. Invented."""


@dataclass
class UseProcess:
    """Use and climate of n packs.

    Attributes
    ----------
    km_per_day, trips_per_day : array, shape (n,)
        Averages over a working day.
    weekend_share : array, shape (n,)
        Kilometres of a weekend day relative to a working day.
    parking_start, parking_days : array, shape (n,)
        One longer spell without a trip, days after day 0; length 0 for none.
    style : array, shape (n,)
        Multiplies swing and peak current.
    season_mean_c, season_swing_c, season_peak_day : array, shape (n,)
        The year's mean temperature, half its range, and the day of the year on which it is warmest.
    start_day_of_year : array, shape (n,)
        Day of the year on day 0.
    warmth_c : array, shape (n,)
        How much warmer than outside the vehicle is parked.
    """

    km_per_day: FloatArray
    trips_per_day: FloatArray
    weekend_share: FloatArray
    parking_start: FloatArray
    parking_days: FloatArray
    style: FloatArray
    season_mean_c: FloatArray
    season_swing_c: FloatArray
    season_peak_day: FloatArray
    start_day_of_year: FloatArray
    warmth_c: FloatArray

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> UseProcess:
        """Copy the processes of some packs."""
        return replace(self, **{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    def repeat(self, times: int) -> UseProcess:
        """Copy every process `times` times, copies of one next to each other."""
        return replace(self, **{f.name: np.repeat(getattr(self, f.name), times) for f in fields(self)})

    def ambient_c(self, day: NDArray[np.float64] | FloatArray | float) -> FloatArray:
        """Work out the expected temperature where the vehicle stands, °C, on a day after day 0. Shape (n,)."""
        angle = 2 * np.pi * (self.start_day_of_year + day - self.season_peak_day) / YEAR_DAYS
        return np.asarray(self.season_mean_c + self.season_swing_c * np.cos(angle) + self.warmth_c, dtype=np.float32)

    def planned_km_per_day(self) -> FloatArray:
        """Average over all days of a week. Shape (n,)."""
        return np.asarray(self.km_per_day * (5 + 2 * self.weekend_share) / 7, dtype=np.float32)

    def parked_days_between(self, start: NDArray[np.float64], days: float) -> FloatArray:
        """Days of the long spell that fall between a day and some days later. Shape (n,)."""
        overlap = np.minimum(start + days, self.parking_start + self.parking_days) - np.maximum(
            start, self.parking_start
        )
        return np.asarray(np.clip(overlap, 0, days), dtype=np.float32)


@dataclass(frozen=True)
class UseDraws:
    """The random part of a day's use.

    Attributes
    ----------
    km_z, weather_z : array, shape (n,)
        Standard normal.
    trips_u : array, shape (n,)
        Uniform.
    """

    km_z: FloatArray
    weather_z: FloatArray
    trips_u: FloatArray


def draw_use(rng: np.random.Generator, packs: int) -> UseDraws:
    """Draw a day's use for n packs."""
    return UseDraws(
        rng.standard_normal(packs, dtype=np.float32),
        rng.standard_normal(packs, dtype=np.float32),
        rng.random(packs, dtype=np.float32),
    )


def use_of_day(
    family: PackFamily,
    process: UseProcess,
    day: NDArray[np.float64] | float,
    draws: UseDraws,
    clog: FloatArray,
    idle: NDArray[np.bool_] | None = None,
) -> DayUse:
    """Work out a day's use.

    Parameters
    ----------
    process : UseProcess
        n packs.
    day : float or array, shape (n,)
        Days after day 0 of each pack.
    clog : array, shape (n,)
        See `PackState.clog`.
    idle : bool array, shape (n,), optional
        Packs that are not driven on this day whatever the plan (in the workshop).
    """
    today = np.broadcast_to(np.asarray(day, dtype=np.float32), process.km_per_day.shape)
    weekday = np.floor(process.start_day_of_year + today) % 7
    share = np.where(weekday >= 5, process.weekend_share, np.float32(1))
    parked = (today >= process.parking_start) & (today < process.parking_start + process.parking_days)
    if idle is not None:
        parked = parked | idle
    km = process.km_per_day * share * np.exp(np.float32(KM_SD) * draws.km_z - np.float32(KM_SD**2 / 2))
    trips = np.floor(process.trips_per_day * np.sqrt(share) + draws.trips_u).astype(np.int64)
    trips = np.where(parked | (share < 0.02), 0, np.maximum(trips, (km > 1).astype(np.int64)))
    km = np.where(trips > 0, km, 0).astype(np.float32)
    ambient = process.ambient_c(today) + np.float32(WEATHER_SD_C) * draws.weather_z
    return day_use(family, km, trips, ambient.astype(np.float32), process.style, clog)
