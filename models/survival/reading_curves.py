"""Each row's own curve, read on its own day."""

from __future__ import annotations

import numpy as np

from models.base.arrays import Floats
from models.base.day_grid import DAYS


def own_day(curves: Floats, days: Floats, grid: Floats = DAYS) -> Floats:
    """Read each row's curve on that row's own day(s), linear in the cumulative hazard.

    Parameters
    ----------
    curves : array, shape (n, g)
        Probabilities on `grid`, not increasing along a row.
    days : array, shape (n,) or (n, d)
        Each row's own day(s); a day past the grid is read at its end.
    grid : array, shape (g,)

    Returns
    -------
    array, shape of `days`

    Examples
    --------
    >>> own_day(np.array([[1.0, 0.25], [1.0, 0.81]]), np.array([5.0, 5.0]), np.array([0.0, 10.0])).round(3).tolist()
    [0.5, 0.9]
    """
    at = np.clip(days, grid[0], grid[-1])
    right = np.clip(np.searchsorted(grid, at, side="left"), 1, grid.size - 1)
    share = (at - grid[right - 1]) / (grid[right] - grid[right - 1])
    log_s = np.log(np.maximum(curves, 1e-12))
    rows = np.arange(curves.shape[0]).reshape((-1,) + (1,) * (at.ndim - 1))
    return np.asarray(np.exp(log_s[rows, right - 1] * (1 - share) + log_s[rows, right] * share))
