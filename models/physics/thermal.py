"""Pack temperature from ambient, use, and the fan with a clean or clogged filter."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily

FAN_SETPOINT_C: Final = 35.0
"""The fan runs above this pack temperature, °C (NREL ADVISOR ESS_NIMH6; 40 °C in
ESS_NiMH7_rc_temp)."""

STILL_W_PER_K_KG: Final = 0.15
"""Heat that leaves without the fan per kelvin and kilogram of pack, W/K/kg: a module of 1 kg, 0.0378 m² at 4 W/K/m²
behind its case (NREL ADVISOR ESS_NiMH7_rc_temp, a prismatic module of 6.5 Ah)."""

FAN_W_PER_K_KG: Final = 0.71
"""Further heat that leaves with the fan and a clean filter, W/K/kg: 0.86 with it in the same file, whose law of the air
flow gives 23 W/K/m² at 0.01 kg/s a module."""

RMS_SHARE_OF_PEAK: Final = 0.28
"""Root-mean-square current of a trip as a share of the peak current. Invented."""

FloatVector = NDArray[np.float32]


def driving_temperature_c(
    family: PackFamily, ambient_c: FloatVector, hours_per_trip: FloatVector, peak_a: FloatVector, clog: FloatVector
) -> FloatVector:
    """Pack temperature at the end of an ordinary trip.

    Parameters
    ----------
    ambient_c, hours_per_trip, peak_a : array, shape (n,)
        °C, h, A.
    clog : array, shape (n,)
        Share of the fan's cooling lost to a clogged filter, 0 to 1.

    Returns
    -------
    array, shape (n,)
        °C; the steady rise approached with the pack's own time constant, the fan helping above its set-point.
    """
    middle = len(family.curves.soc) // 2
    cell_ohm = 0.5e-3 * (family.curves.discharge_mohm[middle] + family.curves.charge_mohm[middle])
    pack_ohm = cell_ohm * family.cells_per_block * family.blocks
    watt = (RMS_SHARE_OF_PEAK * peak_a) ** 2 * np.float32(pack_ohm)
    still = np.float32(STILL_W_PER_K_KG * family.mass_kg)
    fan = np.float32(FAN_W_PER_K_KG * family.mass_kg) * (1 - clog)
    capacity = np.float32(family.heat_capacity_j_per_kg_k * family.mass_kg)
    share = -np.expm1(-hours_per_trip * 3600 * still / capacity)
    unaided = ambient_c + watt / still * share
    # Above the set-point the extra conductance acts on the difference to ambient.
    aided = ambient_c + watt / (still + fan) * share
    held = np.maximum(aided, np.minimum(unaided, np.float32(FAN_SETPOINT_C)))
    return np.asarray(np.where(unaided > FAN_SETPOINT_C, held, unaided), dtype=np.float32)
