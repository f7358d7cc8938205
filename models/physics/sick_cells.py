"""A block whose cells are not all alike: the voltage its sick cells take away."""

from __future__ import annotations

from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from models.physics.pack_state import PackState

COLLAPSE_SLOPE_V: Final = 20.0
"""Further fall of an empty cell's voltage per unit of charge drawn below empty, V: one cell alone falls steeply,
where a whole block's cells run empty one after another. Invented."""

REVERSED_V: Final = -0.4
"""Open-circuit voltage at which a reversed cell stays, V: a few tenths below zero (from memory, unverified)."""

LOWEST_SHARE: Final = -0.15
"""An empty cell that is driven through counts as no emptier than this share of its capacity: it gasses. Invented."""

Floats = TypeVar("Floats", NDArray[np.float32], NDArray[np.float64])
Places = tuple[NDArray[np.intp], NDArray[np.intp]]


def sick_places(state: PackState) -> Places:
    """Packs and blocks of which some cells are sick, two arrays of shape (k,)."""
    blocks, rows = np.divmod(np.flatnonzero(state.sick_cells.T), max(state.packs, 1))
    return rows, blocks


def sick_soc(state: PackState, at: Places) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """State of charge of sick cells at the centre of the swing, and their capacity in Ah. Shape (k,)."""
    capacity = state.capacity_ah[at] * state.sick_capacity[at]
    return (state.charge_ah[at] - state.sick_behind_ah[at]) / capacity, capacity


def collapsed_v(ocv_v: Floats, soc: Floats) -> Floats:
    """Open-circuit voltage of a single cell where the curve of a whole block has it at `ocv_v`. Shape of both."""
    fallen = ocv_v + ocv_v.dtype.type(COLLAPSE_SLOPE_V) * np.minimum(soc, ocv_v.dtype.type(0))
    return np.maximum(fallen, ocv_v.dtype.type(REVERSED_V))
