"""Hold curves as the decisions need them: checked, and read on every whole day."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.grid import DAYS, HORIZON_DAYS, survival_at
from models.problems import BadInput

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

HORIZON: Final = int(HORIZON_DAYS)
"""Last day of the forecast; nothing is claimed past it. Unit: days."""

_SLACK: Final = 1e-9
"""Rises and overshoots below this are rounding, not a broken curve."""


def checked_curves(survival: ArrayLike, where: str = "survival") -> FloatArray:
    """Return hold curves as an array, or say what is wrong with them.

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
        Hold probability on `models.grid.DAYS`.
    where : str
        Name used in the error.

    Returns
    -------
    array, shape (n, len(DAYS))

    Raises
    ------
    BadInput
        For a wrong shape, missing values, values outside 0 to 1, a start other than 1, or a rise.
    """
    curves = np.asarray(survival, dtype=np.float64)
    if curves.ndim != 2 or curves.shape[1] != len(DAYS):
        raise BadInput.one(
            where,
            f"has shape {curves.shape}, not (cases, {len(DAYS)}).",
            f"Give one row per case with the hold probability on the {len(DAYS)} days of the grid.",
        )
    if not np.isfinite(curves).all():
        raise BadInput.one(where, "holds values that are missing or infinite.", "Leave out cases without a forecast.")
    outside = (curves < -_SLACK).any() or (curves > 1 + _SLACK).any()
    if outside or (np.abs(curves[:, 0] - 1) > _SLACK).any() or (np.diff(curves, axis=1) > _SLACK).any():
        raise BadInput.one(
            where,
            "is not a hold curve: it must start at 1, stay between 0 and 1 and never rise.",
            "Give the probability of no return by each day, not the probability of a return.",
        )
    return np.clip(curves, 0.0, 1.0)


def daily_hold(survival: ArrayLike, where: str = "survival") -> FloatArray:
    """Read hold curves on every whole day from 0 to the horizon.

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
    where : str
        Name used in the error.

    Returns
    -------
    array, shape (n, HORIZON + 1)
        Column t is the probability of no return by the end of day t.

    Raises
    ------
    BadInput
        If these are not hold curves.
    """
    days = np.arange(HORIZON + 1, dtype=np.float64)
    return np.asarray(survival_at(checked_curves(survival, where), days), dtype=np.float64)
