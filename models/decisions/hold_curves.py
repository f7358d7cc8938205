"""Hold curves as the decisions need them: checked, and read on every whole day."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from models.base.arrays import Floats
from models.base.day_grid import DAYS, HORIZON_DAYS, survival_at
from models.base.errors import BadInput

HORIZON: Final = int(HORIZON_DAYS)
"""Last day of the forecast; nothing is claimed past it. Unit: days."""

_SLACK: Final = 1e-9
"""Rises and overshoots below this are rounding, not a broken curve."""


def checked_curves(survival: ArrayLike, where: str = "survival") -> Floats:
    """Return hold curves as an array, or say what is wrong with them.

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
        Hold probability on `models.base.day_grid.DAYS`.
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


def daily_hold(survival: ArrayLike, where: str = "survival") -> Floats:
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


def extended_hold(survival: ArrayLike, last_day: int, where: str = "survival", every: int = 1) -> Floats:
    """Read hold curves day by day, past the horizon with the hazard of the last grid interval held constant.

    That is an assumption, not a forecast; whoever shows a figure that rests on it has to say so.

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
    where : str
        Name used in errors.
    every : int
        Days from one column to the next.

    Returns
    -------
    array, shape (n, last_day // every + 1)
    """
    curves = checked_curves(survival, where)
    days = np.arange(0, last_day + 1, every, dtype=np.float64)
    hold = np.asarray(survival_at(curves, days[days <= HORIZON]), dtype=np.float64)
    if last_day <= HORIZON:
        return hold
    before, end = survival_at(curves, DAYS[-2:]).T
    # survival_at keeps curves above 1e-12, so the logarithm is finite.
    hazard = -np.log(end / before) / (HORIZON - DAYS[-2])
    beyond = days[days > HORIZON] - HORIZON
    return np.concatenate([hold, end[:, None] * np.exp(-hazard[:, None] * beyond)], axis=1)


def told_until_now(told: ArrayLike, survival: ArrayLike, held_days: ArrayLike) -> Floats:
    """Return the levels at which promises are read off curves that `held_until_now` made.

    That a pack held since the curve's origin nobody has seen: what was promised then is used up day by day, and ends on
    the day on which it ended before. There the curve from now on has lost ``1 - (1 - level) / S(s)``.

    Parameters
    ----------
    told : array-like, shape (n, k)
        Levels of `survival` at which promises were read off at the curve's origin.
    survival : array-like, shape (n, len(DAYS))
        Hold curves, each from its own origin.
    held_days : float or array-like, shape (n,)

    Returns
    -------
    array, shape (n, k)
        0 where nothing is left of the promise.
    """
    curves = checked_curves(survival)
    held = np.broadcast_to(np.asarray(held_days, dtype=np.float64), (len(curves),))
    now = np.maximum(np.exp(-_read_hazard(curves, held[:, None])), 1e-12)
    return np.asarray(np.maximum(1.0 - (1.0 - np.asarray(told, dtype=np.float64)) / now, 0.0))


def held_until_now(survival: ArrayLike, held_days: ArrayLike) -> Floats:
    """Turn curves from an earlier moment into curves from now, for packs that have held until now.

    The conditional curve is ``S(s + t) / S(s)``, the same as `models.forecasts.forecast.Forecast.given_held` reads off.
    A curve that began s days ago ends s days before the horizon; from there on the hazard of its last interval is held
    constant. That is an assumption, not a forecast: whoever shows such a figure has to say so, and should ask for a new
    forecast before s grows large.

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
        Hold curves, each from its own origin.
    held_days : float or array-like, shape (n,)
        Days from each origin to now, from 0 to below the horizon.

    Returns
    -------
    array, shape (n, len(DAYS))
        Hold probability on the grid, counted from now.

    Raises
    ------
    BadInput
        If these are not hold curves, or a number of days lies outside 0 to the horizon.
    """
    curves = checked_curves(survival)
    held = np.broadcast_to(np.asarray(held_days, dtype=np.float64), (len(curves),))
    if not ((held >= 0) & (held < HORIZON)).all():
        raise BadInput.one(
            "held_days", f"must lie between 0 and {HORIZON} days, the horizon.", "Make a newer forecast of the pack."
        )
    read = _read_hazard(curves, held[:, None] + np.concatenate([[0.0], DAYS]))
    return np.asarray(np.exp(read[:, :1] - read[:, 1:]), dtype=np.float64)


def _read_hazard(curves: Floats, at: Floats) -> Floats:
    """Read cumulative hazards at some days of each curve, on straight lines, the last one going on past the grid."""
    hazard = -np.log(np.maximum(curves, 1e-12))
    slope = np.diff(hazard, axis=1) / np.diff(DAYS)
    left = np.clip(np.searchsorted(DAYS, at, side="right") - 1, 0, len(DAYS) - 2)
    read = np.take_along_axis(hazard, left, axis=1) + np.take_along_axis(slope, left, axis=1) * (at - DAYS[left])
    return np.asarray(read, dtype=np.float64)
