"""Block voltages of simulated packs at rest and under current, exactly as an ideal meter would read them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v, resistance_mohm
from models.physics.pack_state import FloatArray, PackState
from models.physics.sick_cells import collapsed_v, sick_places, sick_soc


def resistance_temperature_factor(
    family: PackFamily, temperature_c: NDArray[np.float64] | FloatArray
) -> NDArray[np.float64]:
    """Resistance relative to 25 °C: exponential in temperature with the family's relative change per kelvin."""
    return np.exp(family.resistance_per_k * (np.asarray(temperature_c, dtype=np.float64) - 25.0))


def block_voltage_v(
    family: PackFamily,
    state: PackState,
    current_a: NDArray[np.float64],
    temperature_c: NDArray[np.float64],
    offset_ah: NDArray[np.float64] | float = 0.0,
) -> NDArray[np.float64]:
    """Voltage of every block.

    Parameters
    ----------
    state : PackState
        n packs of b blocks.
    current_a : array, shape (n,)
        Discharge positive; 0 at rest.
    temperature_c : array, shape (n,)
    offset_ah : float or array, shape (n,)
        Charge of the moment relative to the centre of the swing, common to the string, Ah.

    Returns
    -------
    array, shape (n, b)
        V. Open-circuit voltage of the live cells, plus the block's own hysteresis, minus the drop over its
        cells' resistance and over its joints.
    """
    soc = (
        state.charge_ah + np.broadcast_to(np.asarray(offset_ah, dtype=np.float64), (state.packs,))[:, None]
    ) / state.capacity_ah
    cell_mohm = np.where(
        current_a[:, None] >= 0, resistance_mohm(family.curves, soc), resistance_mohm(family.curves, soc, charging=True)
    )
    warm = resistance_temperature_factor(family, temperature_c)[:, None]
    ohm = 1e-3 * (cell_mohm * warm * state.resistance_scale * family.cells_per_block + state.joint_mohm)
    # While the string charges, all its blocks are on the charge branch: nobody's offset stands out.
    own = np.where(current_a[:, None] < 0, 0.0, family.hysteresis_charge_v * state.hysteresis)
    stretch = state.ocv_stretch[:, None]
    middle_v = ocv_v(family.curves, np.array([family.soc_target]))
    cell_v = middle_v + stretch * (ocv_v(family.curves, soc) - middle_v)
    volts = np.asarray(state.live_cells * (cell_v + own) - current_a[:, None] * ohm)
    at = sick_places(state)
    if len(at[0]):
        rows, amps = at[0], current_a[at[0]]
        offset = np.broadcast_to(np.asarray(offset_ah, dtype=np.float64), (state.packs,))[rows]
        centre, capacity = sick_soc(state, at)
        deep = centre + offset / capacity
        sick_v = collapsed_v(middle_v + stretch[rows, 0] * (ocv_v(family.curves, deep) - middle_v), deep)
        sick_mohm = np.where(
            amps >= 0, resistance_mohm(family.curves, deep), resistance_mohm(family.curves, deep, charging=True)
        )
        more_ohm = 1e-3 * (sick_mohm - cell_mohm[at]) * warm[rows, 0] * state.resistance_scale[at]
        volts[at] -= state.sick_cells[at] * (cell_v[at] - sick_v + amps * more_ohm)
    return volts
