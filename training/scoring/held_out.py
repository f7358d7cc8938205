"""The rows a forecast is scored on, checked once, and what every score needs to know about them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from models.base.arrays import Floats
from models.base.day_grid import survival_at
from models.base.errors import BadInput, Problem, TideoverError
from models.survival.follow_up import checked_follow_up
from models.survival.reading_curves import own_day

LEAST_RISK: Final = 1e-6
"""Forecast risks are kept this far from 0 and 1 before a logarithm is taken."""


class NotEstimable(TideoverError, ValueError):
    """The rows are sound, but too few or too alike for this score; the message says which."""


@dataclass(frozen=True, eq=False)
class HeldOut:
    """Checked forecasts and what became of them.

    Attributes
    ----------
    survival : array, shape (n, g)
        Forecast hold curves from the origin on.
    time, entry : array, shape (n,)
        Days; `time` is cut at the last grid day, where a row still watched counts as censored.
    event : array of bool, shape (n,)
    grid : array, shape (g,)
    """

    survival: Floats
    time: Floats
    event: NDArray[np.bool_]
    entry: Floats
    grid: Floats

    def given_entry(self, days: ArrayLike) -> Floats:
        """Return the forecast S(t)/S(entry) for a pack that has held to its entry.

        Parameters
        ----------
        days : array_like, shape (d,) or (n, d)
            Days, the same for every row or each row's own.

        Returns
        -------
        array, shape (n, d)
            1 on days up to the entry.
        """
        at = np.asarray(days, dtype=np.float64)
        at = np.broadcast_to(at, (self.time.size, at.shape[-1]))
        held = own_day(self.survival, np.maximum(self.entry, 0.0), self.grid)
        later = own_day(self.survival, np.maximum(at, self.entry[:, None]), self.grid)
        return np.asarray(np.minimum(later / np.maximum(held, 1e-12)[:, None], 1.0))

    def survival_on(self, day: float) -> Floats:
        """Return the forecast S(t) from the origin on, shape (n,)."""
        return survival_at(self.survival, day, self.grid)


def held_out(survival: ArrayLike, time: ArrayLike, event: ArrayLike, entry: ArrayLike | None, grid: Floats) -> HeldOut:
    """Check forecasts and follow-up; see `HeldOut`.

    Raises
    ------
    BadInput
        With everything that is wrong, and how.
    """
    times, events, entries, _ = checked_follow_up(time, event, entry)
    curves = np.asarray(survival, dtype=np.float64)
    if curves.shape != (times.size, grid.size):
        raise BadInput.one(
            "survival",
            f"has shape {curves.shape}.",
            f"Give one curve a row on the day grid: ({times.size}, {grid.size}).",
        )
    found = []
    if not np.all((curves >= -1e-9) & (curves <= 1 + 1e-9)):
        found.append(Problem("survival", "holds a value that is no probability.", "Give values between 0 and 1."))
    elif np.any(np.diff(curves, axis=1) > 1e-9):
        found.append(Problem("survival", "rises along a row.", "Give hold probabilities, not return probabilities."))
    if np.any(entries >= grid[-1]):
        found.append(
            Problem("entry", f"reaches the last grid day, {grid[-1]:g}.", "Leave out rows watched only later.")
        )
    if found:
        raise BadInput(found)
    return HeldOut(
        np.clip(curves, 0.0, 1.0), np.minimum(times, grid[-1]), events & (times <= grid[-1]), entries, np.asarray(grid)
    )


def checked_days(days: ArrayLike, grid: Floats) -> Floats:
    """Return the days as an array of shape (d,), or raise `BadInput` if one lies outside the grid."""
    at = np.atleast_1d(np.asarray(days, dtype=np.float64))
    if at.ndim != 1 or not np.all((at >= 0) & (at <= grid[-1])):
        raise BadInput.one("days", "lie outside the day grid.", f"Ask about days from 0 to {grid[-1]:g}.")
    return at


@dataclass(frozen=True)
class Share:
    """An estimated share with its interval.

    Attributes
    ----------
    estimate, low, high : float
        Between 0 and 1.
    effective : float
        Number of equally weighted rows that would carry as much evidence (Kish).
    """

    estimate: float
    low: float
    high: float
    effective: float


def weighted_share(marks: NDArray[np.bool_], weights: Floats, confidence: float) -> Share:
    r"""Estimate a share from censoring-weighted rows, with Wilson's interval at Kish's effective number of rows.

    .. math:: \hat p = \frac{\sum w_i m_i}{\sum w_i}, \quad n_\mathrm{eff} = \frac{(\sum w_i)^2}{\sum w_i^2}

    Parameters
    ----------
    marks : array of bool, shape (n,)
    weights : array, shape (n,)
        0 for rows whose mark is unknown.

    Raises
    ------
    NotEstimable
        If no row has a positive weight.

    References
    ----------
    Wilson, J. Am. Stat. Assoc. 22, 209-212, 1927; Kish, Survey Sampling, 1965.

    Examples
    --------
    >>> share = weighted_share(np.arange(10) < 2, np.ones(10), 0.95)
    >>> [round(v, 4) for v in (share.estimate, share.low, share.high)]
    [0.2, 0.0567, 0.5098]
    """
    total = weights.sum()
    if not total > 0:
        raise NotEstimable("no row was followed long enough to know its status")
    p = float((weights * marks).sum() / total)
    n = float(total**2 / (weights**2).sum())
    z = float(ndtri(0.5 + confidence / 2))
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    # At 0 and 1 rounding would put the share a hair outside its own interval.
    return Share(p, float(max(min(middle - half, p), 0.0)), float(min(max(middle + half, p), 1.0)), n)
