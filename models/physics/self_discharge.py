"""Self-discharge: its rate against temperature and time since the last charge."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

BOLTZMANN_EV_PER_K: Final = 8.617e-5
"""Boltzmann's constant as the NIST/SEMATECH e-Handbook 8.4.2.1 rounds it, eV/K."""

REFERENCE_C: Final = 25.0
"""Temperature at which leak rates are stated, °C."""

FRESH_FACTOR: Final = 2.0
"""How many times faster a block loses charge just after a topping charge. Derived: up to 20 % in the first 24 h
against up to 15 % a month after that (an instrument maker's pack manual, read second-hand) is up to 40 times; 2 is
taken because the block is charged only to the middle of its range, and because a soft short, which most weak blocks
have, does not know when it was charged (invented within that bound)."""

FRESH_DAYS: Final = 1.0
"""Time constant with which that excess dies away, days (same source: the first day)."""


def arrhenius_factor(
    temperature_c: NDArray[np.float64] | NDArray[np.float32] | float,
    activation_ev: NDArray[np.float32] | float,
    reference_c: float = REFERENCE_C,
) -> NDArray[np.float64]:
    """Ratio of a thermally activated rate at one temperature to that at a reference.

    Parameters
    ----------
    temperature_c : float or array
        In °C.
    activation_ev : float or array
        Activation energy in eV.
    reference_c : float
        In °C.

    Returns
    -------
    array of the shape of `temperature_c`

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.2.1: 0.8084907 eV from 85 to 125 °C gives 13.89814.
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + 273.16
    return np.exp(activation_ev / BOLTZMANN_EV_PER_K * (1.0 / (reference_c + 273.16) - 1.0 / kelvin))
