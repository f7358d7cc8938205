"""What was seen of rows: checked, and counted by day.

Conventions, the same throughout `models.survival`:

- A row is at risk at day t if ``entry < t <= time``. An entry of 0 (or less) means seen from the origin on, so such
  a row is at risk at day 0 too.
- Of returns and censorings on the same day the returns come first: a pack censored on day t is known to have held
  through day t.
- Past the last observed day nothing is known; curves are NaN there unless they have already reached 0.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from models.base.arrays import Bools, Floats
from models.base.errors import BadInput, Problem


def checked_follow_up(
    time: ArrayLike, event: ArrayLike, entry: ArrayLike | None = None, weights: ArrayLike | None = None
) -> tuple[Floats, Bools, Floats, Floats]:
    """Check and convert the four columns that say what was seen of each row.

    Parameters are those of `kaplan_meier`.

    Returns
    -------
    time, event, entry, weights : array, shape (n,)
        With entry 0 and weight 1 where not given.

    Raises
    ------
    BadInput
        With every column that is wrong, and how.
    """
    times = np.asarray(time, dtype=np.float64)
    flags = np.asarray(event)
    entries = np.zeros(times.shape) if entry is None else np.asarray(entry, dtype=np.float64)
    masses = np.ones(times.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    if times.ndim != 1 or times.size == 0:
        raise BadInput.one("time", f"has shape {times.shape}.", "Give one day for each row, in one dimension.")
    found = [
        Problem(name, f"has shape {column.shape}, but time has {times.shape}.", "Give one value for each row.")
        for name, column in (("event", flags), ("entry", entries), ("weights", masses))
        if column.shape != times.shape
    ]
    if found:
        raise BadInput(found)
    if not np.all(np.isfinite(times) & (times >= 0)):
        found.append(
            Problem("time", "holds a missing or negative day.", "Leave the row out, or give days from the origin on.")
        )
    if not np.all((flags == 0) | (flags == 1)):
        found.append(
            Problem(
                "event", "holds something else than true and false.", "Use true for an event and false for censored."
            )
        )
    if not np.all(np.isfinite(entries)) or np.any((entries > 0) & (entries >= times)):
        found.append(
            Problem("entry", "is missing, or not before the row's own day.", "Leave out rows that were never watched.")
        )
    if not np.all(np.isfinite(masses) & (masses >= 0)) or not masses.any():
        found.append(
            Problem("weights", "hold a missing or negative value, or only zeros.", "Give weights of 0 or more.")
        )
    if found:
        raise BadInput(found)
    return times, flags.astype(np.bool_), entries, masses


def weight_by_day(time: Floats, mark: Bools, weights: Floats) -> tuple[Floats, Floats]:
    """Return the distinct days of the marked rows of positive weight and the weight on each."""
    used = mark & (weights > 0)
    days, place = np.unique(time[used], return_inverse=True)
    return days, np.bincount(place, weights=weights[used], minlength=days.size).astype(np.float64)


def weight_at_risk(days: Floats, time: Floats, entry: Floats, weights: Floats) -> Floats:
    """Weight of the rows with ``entry < day <= time``; an entry of 0 or less is before every day."""
    late = entry > 0
    return weight_at_least(time, weights, days) - weight_at_least(entry[late], weights[late], days)


def weight_at_least(values: Floats, weights: Floats, days: Floats) -> Floats:
    """Weight of the values of at least each of `days`."""
    order = np.argsort(values, kind="stable")
    below = np.concatenate([[0.0], np.cumsum(weights[order])])
    return np.asarray(below[-1] - below[np.searchsorted(values[order], days, side="left")], dtype=np.float64)
