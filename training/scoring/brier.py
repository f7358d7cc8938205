"""Censoring-weighted squared error of hold curves, by day and over the whole grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from models.base.arrays import Floats
from models.base.day_grid import DAYS, REPORT_DAYS
from models.base.errors import BadInput
from models.survival.censoring_weights import MIN_FOLLOWED, censoring_weights
from models.survival.kaplan_meier import KaplanMeier
from training.scoring.held_out import HeldOut, NotEstimable, checked_days, held_out


@dataclass(frozen=True)
class BrierScore:
    """Squared error by day; smaller is better, 0.25 is a coin's.

    Attributes
    ----------
    days, score, standard_error : tuple of float, length d
    rows : tuple of int, length d
        Rows that entered before each day.
    truncated : tuple of int, length d
        Rows whose censoring weight was cut.
    """

    days: tuple[float, ...]
    score: tuple[float, ...]
    standard_error: tuple[float, ...]
    rows: tuple[int, ...]
    truncated: tuple[int, ...]


@dataclass(frozen=True)
class IntegratedBrier:
    """Mean squared error over a span of days.

    Attributes
    ----------
    first_day, last_day : float
        The span.
    truncated : int
        The most weights cut on any of its days.
    """

    score: float
    standard_error: float
    first_day: float
    last_day: float
    truncated: int


@dataclass(frozen=True)
class BrierDifference:
    """Integrated score of one forecast minus that of another on the same rows; negative means the first is better."""

    difference: float
    low: float
    high: float


def brier_score(
    survival: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None = None,
    *,
    days: ArrayLike = REPORT_DAYS,
    grid: Floats = DAYS,
    censoring: KaplanMeier | Floats | None = None,
    min_followed: float = MIN_FOLLOWED,
) -> BrierScore:
    r"""Score hold curves on given days.

    .. math::

        \mathrm{BS}(t) = \frac{1}{n_t} \sum_{i: e_i < t} w_i(t)
        \left(1\{T_i > t\} - \frac{S_i(t)}{S_i(e_i)}\right)^2

    with the weights of `models.survival.kaplan_meier.censoring_weights`.

    **Late entry.** A row that entered on day e > 0 is scored on days after e only, and on the forecast given that it
    held to e; n_t counts the rows that entered before t.

    Parameters
    ----------
    survival : array_like, shape (n, g)
        Forecast hold curves from the origin on.
    time : array_like, shape (n,)
        Day of return or censoring.
    event : array_like of bool, shape (n,)
    entry : array_like, shape (n,), optional
        Day from which each row was watched.
    days : array_like, shape (d,)
    grid : array, shape (g,)
        Days of `survival` (and of `censoring`, if that is an array).
    censoring : KaplanMeier or array of shape (n, g), optional
        Probability of still being followed; the reverse product-limit curve of these rows if not given.
    min_followed : float
        Smallest probability of being followed that is divided by.

    Raises
    ------
    BadInput
        If shapes or values do not fit.
    NotEstimable
        If every row entered after a day asked about.

    References
    ----------
    Graf et al., Statistics in Medicine 18, 2529-2545, 1999; Gerds & Schumacher, Biometrical Journal 48, 2006.

    Examples
    --------
    Two packs, 0.8 and 0.3 to hold to day 10; the first held, the second did not: (0.2² + 0.3²) / 2.

    >>> curves = np.array([[1.0, 0.8], [1.0, 0.3]])
    >>> found = brier_score(curves, [12, 6], [True, True], days=[10], grid=np.array([0.0, 10.0]))
    >>> round(found.score[0], 4)
    0.065
    """
    rows = held_out(survival, time, event, entry, grid)
    at = checked_days(days, grid)
    losses, eligible, truncated = _losses(rows, at, time, event, censoring, min_followed)
    counts = eligible.sum(axis=0)
    score = losses.sum(axis=0) / counts
    spread = np.where(eligible, losses - score, 0.0)
    return BrierScore(
        tuple(at.tolist()),
        tuple(score.tolist()),
        tuple((np.sqrt((spread**2).sum(axis=0)) / counts).tolist()),
        tuple(counts.tolist()),
        tuple(truncated.tolist()),
    )


def integrated_brier_score(
    survival: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None = None,
    *,
    days: ArrayLike | None = None,
    grid: Floats = DAYS,
    censoring: KaplanMeier | Floats | None = None,
    min_followed: float = MIN_FOLLOWED,
) -> IntegratedBrier:
    r"""Average the squared error over a span of days, by the trapezoid rule, divided by the length of the span.

    .. math:: \mathrm{IBS} = \frac{1}{t_d - t_1} \int_{t_1}^{t_d} \mathrm{BS}(t) \, dt

    Parameters are those of `brier_score`; `days` (at least two, increasing) are the nodes of the rule, the whole grid
    if not given.

    Raises
    ------
    BadInput, NotEstimable
        As `brier_score`.

    References
    ----------
    Graf et al., Statistics in Medicine 18, 2529-2545, 1999.

    Examples
    --------
    Always 0.5 from day 1 on costs 0.25 each day, and nothing on day 0: (0.125 + 0.25) / 2 over two days.

    >>> curves = np.array([[1.0, 0.5, 0.5]])
    >>> integrated_brier_score(curves, [5], [True], grid=np.array([0.0, 1.0, 2.0])).score
    0.1875
    """
    at = checked_days(grid if days is None else days, grid)
    shares, truncated = _integrated_shares(survival, time, event, entry, at, grid, censoring, min_followed)
    return IntegratedBrier(
        float(shares.mean()), float(shares.std() / np.sqrt(shares.size)), float(at[0]), float(at[-1]), truncated
    )


def integrated_brier_difference(
    survival: ArrayLike,
    peer: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None = None,
    *,
    days: ArrayLike | None = None,
    grid: Floats = DAYS,
    censoring: KaplanMeier | Floats | None = None,
    min_followed: float = MIN_FOLLOWED,
    confidence: float = 0.95,
) -> BrierDifference:
    """Compare two sets of hold curves on the same rows, pairing row by row.

    Parameters are those of `integrated_brier_score`; `peer`, shape (n, g), holds the other forecast's curves. The
    interval treats the censoring weights as known, which makes it a little too wide (never too narrow) when they
    were estimated from the same rows.

    Raises
    ------
    BadInput, NotEstimable
        As `brier_score`.

    References
    ----------
    Gerds & Schumacher, Biometrical Journal 48, 1029-1040, 2006.

    Examples
    --------
    >>> grid = np.array([0.0, 10.0])
    >>> good, poor = np.array([[1.0, 0.9], [1.0, 0.1]]), np.array([[1.0, 0.5], [1.0, 0.5]])
    >>> round(integrated_brier_difference(good, poor, [12, 6], [True, True], grid=grid).difference, 4)
    -0.12
    """
    at = checked_days(grid if days is None else days, grid)
    ours, _ = _integrated_shares(survival, time, event, entry, at, grid, censoring, min_followed)
    theirs, _ = _integrated_shares(peer, time, event, entry, at, grid, censoring, min_followed)
    gap = ours - theirs
    half = float(ndtri(0.5 + confidence / 2) * gap.std() / np.sqrt(gap.size))
    middle = float(gap.mean())
    return BrierDifference(middle, middle - half, middle + half)


def _losses(
    rows: HeldOut,
    days: Floats,
    time: ArrayLike,
    event: ArrayLike,
    censoring: KaplanMeier | Floats | None,
    min_followed: float,
) -> tuple[Floats, NDArray[np.bool_], NDArray[np.int64]]:
    """Weighted squared errors (n, d), 0 where a row does not count, with who counts and how many weights were cut."""
    found = censoring_weights(
        time, event, days, rows.entry, censoring=censoring, grid=rows.grid, min_followed=min_followed
    )
    if not found.eligible.any(axis=0).all():
        raise NotEstimable("every row entered after one of the days asked about")
    errors = (np.where(found.returned, 0.0, 1.0) - rows.given_entry(days)) ** 2
    return found.weights * errors, found.eligible, found.truncated


def _integrated_shares(
    survival: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None,
    days: Floats,
    grid: Floats,
    censoring: KaplanMeier | Floats | None,
    min_followed: float,
) -> tuple[Floats, int]:
    """Each row's part of the integrated score, shape (n,); their mean is the score."""
    if days.size < 2 or np.any(np.diff(days) <= 0):
        raise BadInput.one("days", "are no span to integrate over.", "Give at least two days, increasing.")
    rows = held_out(survival, time, event, entry, grid)
    losses, eligible, truncated = _losses(rows, days, time, event, censoring, min_followed)
    steps = np.diff(days)
    nodes = (np.concatenate([[0.0], steps]) + np.concatenate([steps, [0.0]])) / 2 / steps.sum()
    shares = losses * (rows.time.size / eligible.sum(axis=0)) @ nodes
    return shares, int(truncated.max())
