"""What one day of use asks of a pack: trips, depth of the swing, current, charge cycled, temperatures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.pack_state import FloatArray
from models.physics.thermal import driving_temperature_c

MAX_TRIPS: Final = 10
"""Trips of a day that the monitor is simulated for; more in a day are counted as this many."""

AH_PER_KM_PER_RATED_AH: Final = 0.03
"""Charge cycled per km and rated Ah: about 0.2 Ah/km on a 6.5 Ah pack. Invented."""

DEPTH_SHARE: Final = 0.115
"""Ordinary swing below the centre as a share of rated capacity: 0.75 Ah on a 6.5 Ah pack, inside a window of
40 to 80 % (from memory, unverified)."""

SPEED_KM_PER_H: Final = 30.0
"""Mean speed used to turn kilometres into hours. Invented."""


FULL_CURRENT_C: Final = 15.0
"""Pack temperature below which the controller allows less current, °C. Invented."""


def allowed_current_share(family: PackFamily, temperature_c: FloatArray | NDArray[np.float64]) -> FloatArray:
    """Work out the share of its current that a controller allows in the cold.

    Below `FULL_CURRENT_C` as much less as resistance is higher, so that the drop of voltage stays the same (invented).
    Shape of `temperature_c`.
    """
    colder = np.minimum(np.asarray(temperature_c, dtype=np.float32) - np.float32(FULL_CURRENT_C), 0)
    return np.asarray(np.exp(-np.float32(min(family.resistance_per_k, 0.0)) * colder), dtype=np.float32)


@dataclass(frozen=True)
class DayUse:
    """One day of n packs.

    Attributes
    ----------
    trips : int array, shape (n,)
    cycled_ah : array, shape (n,)
        Charge that went through the pack, Ah.
    depth_ah : array, shape (n,)
        Swing below (and above) the centre on an ordinary trip, Ah.
    peak_a : array, shape (n,)
        Current of an ordinary hard pull, A; less in the cold.
    ambient_c, driving_c : array, shape (n,)
        Outside temperature, and that of the pack after a trip.
    driving_share : array, shape (n,)
        Share of the day on which the pack is warm from driving.
    """

    trips: NDArray[np.int64]
    cycled_ah: FloatArray
    depth_ah: FloatArray
    peak_a: FloatArray
    ambient_c: FloatArray
    driving_c: FloatArray
    driving_share: FloatArray


def day_use(
    family: PackFamily,
    km: FloatArray,
    trips: NDArray[np.int64],
    ambient_c: FloatArray,
    style: FloatArray,
    clog: FloatArray,
) -> DayUse:
    """Turn a day's kilometres and trips into what the pack sees.

    Parameters
    ----------
    km : array, shape (n,)
        Kilometres of the day.
    trips : int array, shape (n,)
    ambient_c : array, shape (n,)
    style : array, shape (n,)
        Driving style: multiplies swing and peak current; 1 is ordinary.
    clog : array, shape (n,)
    """
    hours = km / np.float32(SPEED_KM_PER_H)
    driven = np.maximum(trips, 1)
    peak = np.float32(family.peak_current_a) * style
    hours_per_trip = (hours / driven).astype(np.float32)
    driving = driving_temperature_c(family, ambient_c, hours_per_trip, peak, clog)
    return DayUse(
        trips=np.minimum(trips, MAX_TRIPS),
        cycled_ah=np.where(trips > 0, km * np.float32(AH_PER_KM_PER_RATED_AH * family.rated_ah) * style, 0).astype(
            np.float32
        ),
        depth_ah=(np.float32(DEPTH_SHARE * family.rated_ah) * style).astype(np.float32),
        peak_a=(peak * allowed_current_share(family, driving)).astype(np.float32),
        ambient_c=ambient_c,
        driving_c=driving,
        # The pack stays warm for about as long again as it was driven.
        driving_share=np.minimum(2 * hours / 24, 0.9).astype(np.float32),
    )
