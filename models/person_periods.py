"""Outcomes cut into the bins of a day grid: how long each row was at risk in each bin, and where its event fell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.estimator import BoolArray, FloatArray, Outcomes, check_grid, check_outcomes
from models.problems import BadInput


@dataclass(frozen=True)
class PersonPeriods:
    """Exposure and events of n rows on the bins of a grid; bin j runs from ``grid[j]`` (excluded) to ``grid[j + 1]``.

    Attributes
    ----------
    exposure : array, shape (n, bins)
        Share of the bin during which the row was at risk: 0 before its entry and after its end.
    event : array of bool, shape (n, bins)
        True in the bin in which the row's event fell.
    """

    exposure: FloatArray
    event: BoolArray

    @classmethod
    def cut(cls, outcomes: Outcomes, grid: FloatArray) -> Self:
        """Cut outcomes on a grid. What happened past its last day counts as not seen."""
        seen = outcomes.until(float(grid[-1]))
        left, width = grid[:-1], np.diff(grid)
        lived = np.clip((seen.time[:, None] - left) / width, 0.0, 1.0)
        missed = np.clip((seen.entry[:, None] - left) / width, 0.0, 1.0)
        event = np.zeros(lived.shape, dtype=np.bool_)
        rows = np.flatnonzero(seen.event & (seen.entry < seen.time))
        event[rows, np.searchsorted(grid, seen.time[rows], side="left") - 1] = True
        return cls(lived - missed, event)


def event_quantile_grid(
    time: ArrayLike, event: ArrayLike, bins: int = 22, entry: ArrayLike | None = None, weights: ArrayLike | None = None
) -> FloatArray:
    """Choose a grid for a data set of its own time scale: equally many events to a bin, the last day the last event's.

    Parameters
    ----------
    time, event, entry, weights : array_like, shape (n,)
    bins : int
        At most this many; fewer if events are few or tied.

    Returns
    -------
    array, shape (up to bins + 1,)
        Days, from 0.
    """
    outcomes = check_outcomes(time, event, entry, weights)
    seen = outcomes.event & (outcomes.weights > 0)
    if not seen.any():
        raise BadInput.one("event", "holds no event to choose a grid by.", "Give the grid in days.")
    shares = np.linspace(0.0, 1.0, bins + 1)[1:]
    edges = np.quantile(outcomes.time[seen], shares, method="inverted_cdf", weights=outcomes.weights[seen])
    return check_grid(np.concatenate([[0.0], np.unique(edges)]))


def bins_of(grid: FloatArray, days: FloatArray) -> NDArray[np.intp]:
    """Return the bin in which each day falls; day 0 counts to the first."""
    return np.clip(np.searchsorted(grid, days, side="left") - 1, 0, len(grid) - 2)
