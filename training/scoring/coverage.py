"""Whether a "good for N days" bound holds as often as it says, and whether it is of any use."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from models.base.arrays import Floats
from models.base.day_grid import DAYS, HORIZON_DAYS
from models.base.errors import BadInput
from models.survival.censoring_weights import MIN_FOLLOWED, censoring_weights
from models.survival.follow_up import checked_follow_up
from models.survival.kaplan_meier import KaplanMeier
from training.scoring.held_out import NotEstimable, weighted_share


@dataclass(frozen=True)
class Coverage:
    """How often packs held to their bound, and how long the bounds were.

    Attributes
    ----------
    promised : float
        The confidence the bounds were given with.
    held, low, high : float
        Censoring-weighted share that held to their bound, with its interval.
    rows, unknown, late : int
        Rows used; of these, lost from sight before their bound; rows left out because they entered after the origin.
    truncated : int
        Rows whose censoring weight was cut.
    mean_days, median_days : float
        Sharpness: the longer at the same coverage, the better.
    at_zero, at_horizon : float
        Share of bounds that say nothing (0 days), and that end at the horizon.
    """

    promised: float
    held: float
    low: float
    high: float
    rows: int
    unknown: int
    late: int
    truncated: int
    mean_days: float
    median_days: float
    at_zero: float
    at_horizon: float


def bound_coverage(
    bound: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None = None,
    *,
    promised: float,
    grid: Floats = DAYS,
    censoring: KaplanMeier | Floats | None = None,
    min_followed: float = MIN_FOLLOWED,
    confidence: float = 0.95,
) -> Coverage:
    r"""Estimate how often packs hold at least as long as their bound.

    .. math:: \hat P(T \ge L) = \frac{\sum_i w_i(L_i) 1\{T_i \ge L_i\}}{\sum_i w_i(L_i)}

    with the weights of `models.survival.kaplan_meier.censoring_weights` on each row's own day L_i. A return exactly on
    the day of the bound is a pack that held to it.

    **Late entry.** The bound is promised at the origin. A row first watched on day e > 0 has already held to e;
    counting it would flatter the bound, so such rows are left out and their number given.

    Parameters
    ----------
    bound : array_like, shape (n,)
        Days, from 0 to the horizon.
    time, event, entry, grid, censoring, min_followed
        As in `training.scoring.brier.brier_score`.
    promised : float
        Between 0 and 1, for example 0.9.
    confidence : float
        Of the interval around the observed share.

    Raises
    ------
    BadInput
        If shapes or values do not fit.
    NotEstimable
        If every row entered late, or none was followed to its bound.

    References
    ----------
    Candès, Lei & Ren, Journal of the Royal Statistical Society B 85, 24-45, 2023 (the bound); Robins & Finkelstein,
    Biometrics 56, 779-788, 2000 (the weights).

    Examples
    --------
    >>> found = bound_coverage([5, 5, 5, 5], [4, 6, 7, 8], [True] * 4, promised=0.9)
    >>> found.held, found.mean_days
    (0.75, 5.0)
    """
    times, events, entries, _ = checked_follow_up(time, event, entry)
    bounds = np.asarray(bound, dtype=np.float64)
    if bounds.shape != times.shape or not np.all((bounds >= 0) & (bounds <= grid[-1])):
        raise BadInput.one(
            "bound", "has another length than time, or leaves the day grid.", f"Give 0 to {grid[-1]:g} days."
        )
    if not 0 < promised < 1:
        raise BadInput.one("promised", f"is {promised:g}.", "Give the confidence as a share, such as 0.9.")
    now = entries <= 0
    if not now.any():
        raise NotEstimable("every row was first watched after its origin")
    curves = censoring[now] if isinstance(censoring, np.ndarray) else censoring
    # A hair before the bound: a return on its very day has held to it.
    just_before = np.nextafter(bounds[now], -1.0)[:, None]
    found = censoring_weights(
        times[now], events[now], just_before, censoring=curves, grid=grid, min_followed=min_followed
    )
    weights = found.weights[:, 0]
    share = weighted_share(~found.returned[:, 0], weights, confidence)
    used = bounds[now]
    return Coverage(
        promised=float(promised),
        held=share.estimate,
        low=share.low,
        high=share.high,
        rows=used.size,
        unknown=int((weights == 0).sum()),
        late=int((~now).sum()),
        truncated=int(found.truncated[0]),
        mean_days=float(used.mean()),
        median_days=float(np.median(used)),
        at_zero=float((used <= 0).mean()),
        at_horizon=float((used >= min(HORIZON_DAYS, grid[-1])).mean()),
    )
