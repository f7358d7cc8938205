"""Open-circuit voltage and resistance of a cell against state of charge, also beyond the ends of the table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import CellCurves

EMPTY_SLOPE_V: Final = 3.0
"""Fall of a cell's voltage per unit of charge drawn below empty, V. Invented: it stands for cells of the block
running empty one after another and reversing, which the published table (it ends at 0 %) does not show."""

FULL_SLOPE_V: Final = 1.0
"""Rise of a cell's voltage per unit of charge put in above full, V. Invented."""

EMPTY_RESISTANCE_SLOPE: Final = 4.0
"""Relative rise of resistance per unit of charge drawn below empty. Invented."""

LOOKUP_LOW: Final = -0.5
LOOKUP_STEP: Final = 0.0005
LOOKUP_SIZE: Final = 4001  # -0.5 to 1.5

Floats = NDArray[np.float32] | NDArray[np.float64]


def ocv_v(curves: CellCurves, soc: Floats) -> NDArray[np.float64]:
    """Open-circuit voltage of one cell on the sustaining (middle) curve, in V.

    Parameters
    ----------
    soc : array of any shape
        State of charge as a share; below 0 and above 1 the curve goes on with `EMPTY_SLOPE_V` and `FULL_SLOPE_V`.

    Returns
    -------
    array of the shape of `soc`

    Examples
    --------
    On the published nickel–metal hydride table the plateau between 40 and 80 % rises by 0.675 mV per percent.
    """
    at = np.asarray(soc, dtype=np.float64)
    inside = np.interp(at, curves.soc, curves.ocv_v)
    return np.asarray(inside + EMPTY_SLOPE_V * np.minimum(at, 0.0) + FULL_SLOPE_V * np.maximum(at - 1.0, 0.0))


def resistance_mohm(curves: CellCurves, soc: Floats, *, charging: bool = False) -> NDArray[np.float64]:
    """Resistance of one cell at 25 °C in mΩ, for discharge or charge. Shape of `soc`."""
    table = curves.charge_mohm if charging else curves.discharge_mohm
    at = np.asarray(soc, dtype=np.float64)
    return np.asarray(np.interp(at, curves.soc, table) * (1.0 + EMPTY_RESISTANCE_SLOPE * np.maximum(-at, 0.0)))


def soc_from_rest(curves: CellCurves, rest_v: Floats) -> NDArray[np.float64]:
    """State of charge at which the sustaining curve gives this rest voltage per cell; clipped to -0.2 to 1.2.

    Where the curve is flat the answer is uncertain; callers carry the error.
    """
    soc = np.linspace(-0.2, 1.2, 281)
    return np.interp(rest_v, ocv_v(curves, soc), soc)


@dataclass(frozen=True)
class CurveLookup:
    """The curves tabulated finely (0.05 % of charge) for the day loop, where interpolation would cost most of the time.

    Attributes
    ----------
    ocv_v, discharge_mohm, charge_mohm : float32 array, shape (LOOKUP_SIZE,)
        Per cell, from `LOOKUP_LOW` in steps of `LOOKUP_STEP`.
    """

    ocv_v: NDArray[np.float32]
    discharge_mohm: NDArray[np.float32]
    charge_mohm: NDArray[np.float32]

    @classmethod
    def of(cls, curves: CellCurves) -> CurveLookup:
        """Tabulate a family's curves."""
        soc = LOOKUP_LOW + LOOKUP_STEP * np.arange(LOOKUP_SIZE)
        return cls(
            ocv_v(curves, soc).astype(np.float32),
            resistance_mohm(curves, soc).astype(np.float32),
            resistance_mohm(curves, soc, charging=True).astype(np.float32),
        )

    @staticmethod
    def index(soc: NDArray[np.float32]) -> NDArray[np.intp]:
        """Position of each state of charge in the tables; charge beyond the ends counts as at the end."""
        scaled = (soc - np.float32(LOOKUP_LOW - LOOKUP_STEP / 2)) * np.float32(1.0 / LOOKUP_STEP)
        return np.asarray(np.clip(scaled, 0, LOOKUP_SIZE - 1, out=scaled), dtype=np.intp)

    @staticmethod
    def at(table: NDArray[np.float32], place: NDArray[np.intp]) -> NDArray[np.float32]:
        """Read one of the tables at places from `index`; shape and order in memory are those of `place`."""
        # All of them lie in the table: looking for those that do not took as long as the reading.
        return np.asarray(table.take(place.T, mode="wrap").T)
