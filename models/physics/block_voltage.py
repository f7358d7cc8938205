"""Block voltages of simulated packs at rest and under current, exactly as an ideal meter would read them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v, resistance_mohm
from models.physics.pack_state import FloatArray, PackState


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
    family : PackFamily
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
    open_v = state.live_cells * (ocv_v(family.curves, soc) + own)
    return np.asarray(open_v - current_a[:, None] * ohm)
