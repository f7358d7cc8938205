"""The fixed, versioned day grid on which every curve is reported."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

GRID_VERSION: Final = "1"
"""Changes whenever ``DAYS`` does; stored with every model, report and forecast."""

DAYS: Final[NDArray[np.float64]] = np.array(
    [0, 1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 14, 17, 21, 25, 30, 35, 42, 50, 60, 70, 80, 90], dtype=np.float64
)
"""Days after the origin, shape (23,): the right edges of 22 bins and day 0. Unit: days."""
DAYS.flags.writeable = False

HORIZON_DAYS: Final = float(DAYS[-1])
"""Beyond this day nothing is claimed. Censoring-weighted scores fail past the follow-up, so the horizon is fixed."""

REPORT_DAYS: Final = (7.0, 14.0, 30.0, 60.0)
"""The days at which calibration is reported."""


def survival_at(
    survival: NDArray[np.float64], days: NDArray[np.float64] | float, grid: NDArray[np.float64] = DAYS
) -> NDArray[np.float64]:
    """Read hold curves between grid days, linear in the cumulative hazard.

    Parameters
    ----------
    survival : array, shape (n, len(grid))
        Hold probability on the grid, not increasing along a row, 1 at day 0.
    days : float or array, shape (m,)
        Days after the origin, 0 to the horizon. One day for all rows, or m days for every row.
    grid : array, shape (g,)
        Grid days, increasing from 0.

    Returns
    -------
    array, shape (n,) for a single day, else (n, m)

    Raises
    ------
    ValueError
        If a day lies outside 0 to the last grid day: past the horizon nothing is claimed.
    """
    at = np.atleast_1d(np.asarray(days, dtype=np.float64))
    if not np.all((at >= 0) & (at <= grid[-1])):
        raise ValueError(f"days must lie between 0 and {grid[-1]:g}, the horizon; got {at.min():g} to {at.max():g}")
    right = np.clip(np.searchsorted(grid, at, side="left"), 1, len(grid) - 1)
    share = (at - grid[right - 1]) / (grid[right] - grid[right - 1])
    log_s = np.log(np.maximum(survival, 1e-12))
    out = np.exp(log_s[:, right - 1] * (1 - share) + log_s[:, right] * share)
    return out[:, 0] if np.ndim(days) == 0 else out


def day_of_return(survival: NDArray[np.float64], probability: float, grid: NDArray[np.float64] = DAYS) -> float | None:
    """First day on which one hold curve's return probability reaches a share.

    Parameters
    ----------
    survival : array, shape (g,)
        Hold probability on the grid.
    probability : float
        Between 0 and 1.
    grid : array, shape (g,)

    Returns
    -------
    float or None
        Days, linear in the cumulative hazard between grid days; None where the share is not reached within the grid.
    """
    day = float(days_of_return(survival[None, :], probability, grid)[0])
    return None if np.isnan(day) else day


def days_of_return(
    survival: NDArray[np.float64], probability: NDArray[np.float64] | float, grid: NDArray[np.float64] = DAYS
) -> NDArray[np.float64]:
    """First day on which each hold curve's return probability reaches a share: `day_of_return` of many.

    Parameters
    ----------
    survival : array, shape (n, g)
    probability : float or array, shape (n,)
    grid : array, shape (g,)

    Returns
    -------
    array, shape (n,)
        Days; NaN where the share is not reached within the grid.
    """
    hazard = -np.log(np.maximum(survival, 1e-12))
    target = np.broadcast_to(-np.log1p(-np.minimum(probability, 1 - 1e-12)), len(hazard))
    right = np.maximum((hazard < target[:, None]).sum(axis=1), 0)
    beyond, at_once = right == len(grid), right == 0
    right = np.clip(right, 1, len(grid) - 1)
    row = np.arange(len(hazard))
    before, step = hazard[row, right - 1], hazard[row, right] - hazard[row, right - 1]
    share = (target - before) / np.where(beyond | at_once, 1.0, step)
    day = grid[right - 1] + share * (grid[right] - grid[right - 1])
    return np.where(beyond, np.nan, np.where(at_once, grid[0], day))


def levels_on(
    survival: NDArray[np.float64],
    other: NDArray[np.float64],
    levels: NDArray[np.float64],
    grid: NDArray[np.float64] = DAYS,
) -> NDArray[np.float64]:
    """Return the return probabilities of one hold curve on the days on which another reaches some levels.

    Parameters
    ----------
    survival, other : array, shape (g,)
        `other` nowhere higher.
    levels : array, shape (k,)
        Return probabilities on `other`.
    grid : array, shape (g,)

    Returns
    -------
    array, shape (k,)
        At most `levels`; the level itself where `other` does not reach it within the grid.
    """
    days = days_of_return(np.broadcast_to(other, (len(levels), len(grid))), levels, grid)
    there = 1.0 - survival_at(survival[None, :], np.nan_to_num(days), grid)[0]
    return np.where(np.isnan(days), levels, np.minimum(there, levels))
