"""A grid for data sets on other time scales than ours."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from models.base.arrays import Floats
from models.base.errors import BadInput
from models.survival.estimator import check_grid, check_outcomes


def event_quantile_grid(
    time: ArrayLike, event: ArrayLike, bins: int = 22, entry: ArrayLike | None = None, weights: ArrayLike | None = None
) -> Floats:
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
