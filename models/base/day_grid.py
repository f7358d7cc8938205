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


def days_told(
    survival: NDArray[np.float64],
    told: NDArray[np.float64],
    unseen_days: NDArray[np.float64] | float,
    levels: NDArray[np.float64] | float,
    grid: NDArray[np.float64] = DAYS,
) -> NDArray[np.float64]:
    """Read promised days off two hold curves: what is left of the one, and never more than the other has.

    Parameters
    ----------
    survival : array, shape (n, g)
        From the origin on.
    told : array, shape (n, g)
        The careful curve, from the newest record of the pack on.
    unseen_days : float or array, shape (n,)
        Days between that record and the origin: of these nobody knows anything, so they are used up.
    levels : float or array, shape (n,)
        Return probabilities at which to read; where one is 0 nothing is promised.
    grid : array, shape (g,)

    Returns
    -------
    array, shape (n,)
        Days after the origin, the last of the grid where neither curve reaches the level before.
    """
    level = np.broadcast_to(np.asarray(levels, dtype=np.float64), (len(survival),))
    own, first = (np.nan_to_num(days_of_return(curve, level, grid), nan=grid[-1]) for curve in (survival, told))
    return np.where(level > 0, np.maximum(np.minimum(own, first - unseen_days), 0.0), 0.0)


def levels_told(
    survival: NDArray[np.float64],
    told: NDArray[np.float64],
    unseen_days: float,
    levels: NDArray[np.float64],
    grid: NDArray[np.float64] = DAYS,
) -> NDArray[np.float64]:
    """Return the return probabilities of a hold curve on the days that are told at some levels.

    Parameters
    ----------
    survival, told : array, shape (g,)
        As for `days_told`, of one pack.
    levels : array, shape (k,)
    grid : array, shape (g,)

    Returns
    -------
    array, shape (k,)
        At most `levels`; the level itself where it is reached on neither curve within the grid.
    """
    rows = (len(levels), len(grid))
    days = days_told(np.broadcast_to(survival, rows), np.broadcast_to(told, rows), unseen_days, levels, grid)
    there = 1.0 - survival_at(survival[None, :], days, grid)[0]
    return np.where(days < grid[-1], np.minimum(there, levels), levels)
