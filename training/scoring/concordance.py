"""Ranking: how often the pack that was forecast to return earlier did so."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.base.arrays import Floats
from models.base.errors import BadInput
from models.survival.censoring_weights import MIN_FOLLOWED
from models.survival.follow_up import checked_follow_up
from models.survival.kaplan_meier import KaplanMeier, censoring_distribution
from training.scoring.held_out import NotEstimable


@dataclass(frozen=True)
class Concordance:
    """Share of comparable pairs in the right order; 0.5 is a coin's, 1 is perfect.

    Attributes
    ----------
    pairs : int
        Comparable pairs.
    tied : int
        Of these, pairs with equal forecasts (counted half).
    truncated : int
        Events whose censoring weight was cut.
    """

    index: float
    pairs: int
    tied: int
    truncated: int


def harrell_c(risk: ArrayLike, time: ArrayLike, event: ArrayLike, entry: ArrayLike | None = None) -> Concordance:
    r"""Share of comparable pairs ranked rightly, every pair counting the same.

    .. math:: C = \frac{\sum_{i: \delta_i} \sum_{j \in R_i} 1\{r_i > r_j\} + \tfrac12 1\{r_i = r_j\}}
                       {\sum_{i: \delta_i} |R_i|}

    R_i holds the rows that outlived day T_i: those with T_j > T_i, and those censored on day T_i itself.

    **Late entry.** A row j that entered on or after day T_i was not watched then and is not compared with i.

    Parameters
    ----------
    risk : array_like, shape (n,)
        Larger means an earlier return is expected; any scale.
    time, event, entry : array_like, shape (n,)
        As in `training.scoring.brier.brier_score`.

    Raises
    ------
    BadInput
        If shapes or values do not fit.
    NotEstimable
        If no pair can be compared.

    References
    ----------
    Harrell, Lee & Mark, Statistics in Medicine 15, 361-387, 1996.

    Examples
    --------
    >>> harrell_c([3, 1, 2], [5, 9, 12], [True, True, False]).index
    0.6666666666666666
    """
    return _concordance(risk, time, event, entry, None, None, MIN_FOLLOWED)


def uno_c(
    risk: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None = None,
    *,
    until: float | None = None,
    censoring: KaplanMeier | None = None,
    min_followed: float = MIN_FOLLOWED,
) -> Concordance:
    r"""Share of comparable pairs ranked rightly, weighted so that it does not depend on who was censored when.

    As `harrell_c`, with each event i before day `until` weighing :math:`G(T_i-)^{-2}`.

    **Late entry.** Pairs are limited as in `harrell_c`, and G is estimated with late entry; the index is then that of
    packs watched at the same time, not of all packs from their origin.

    Parameters
    ----------
    risk, time, event, entry : array_like, shape (n,)
        As in `harrell_c`.
    until : float, optional
        Only events before this day count.
    censoring : KaplanMeier, optional
        Marginal curve of being followed; that of these rows if not given.
    min_followed : float
        Smallest G divided by.

    Raises
    ------
    BadInput, NotEstimable
        As `harrell_c`.

    References
    ----------
    Uno et al., Statistics in Medicine 30, 1105-1117, 2011.

    Examples
    --------
    >>> round(uno_c([3, 1, 2, 2], [5, 9, 12, 4], [True, True, False, False]).index, 4)
    0.6667
    """
    times, events, entries, _ = checked_follow_up(time, event, entry)
    curve = censoring_distribution(times, events, entries) if censoring is None else censoring
    return _concordance(risk, times, events, entries, until, curve, min_followed)


def _concordance(
    risk: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None,
    until: float | None,
    censoring: KaplanMeier | None,
    min_followed: float,
) -> Concordance:
    times, events, entries, _ = checked_follow_up(time, event, entry)
    risks = np.asarray(risk, dtype=np.float64)
    if risks.shape != times.shape or not np.all(np.isfinite(risks)):
        raise BadInput.one("risk", "is missing a value or has another length than time.", "Give one number a row.")
    counted = events if until is None else events & (times < until)
    first, own = times[counted], risks[counted]
    # Censored on day t outlives day t: place it a hair later than the events of that day.
    rank = np.unique(np.concatenate([times, entries]), return_inverse=True)[1] * 2
    last_seen = rank[: times.size] + ~events
    day = rank[: times.size][counted]
    late = entries > 0
    arrivals = rank[times.size :][late]
    everybody = _earlier_by(last_seen, risks, day + 1, own)
    absent = _earlier_by(arrivals, risks[late], day, own)
    lower, equal, total = (present - away for present, away in zip(everybody, absent, strict=True))
    weights, truncated = np.ones(first.size), 0
    if censoring is not None:
        followed = censoring.at(first, before=True)
        if np.isnan(followed).any():
            raise BadInput.one("until", "lies past the follow-up of `censoring`.", "Choose an earlier day.")
        truncated = int((followed < min_followed).sum())
        weights = np.maximum(followed, min_followed) ** -2
    comparable = float(weights @ total)
    if not comparable > 0:
        raise NotEstimable("no two rows can be compared: nobody outlived a return")
    index = float(weights @ (lower + 0.5 * equal) / comparable)
    return Concordance(index, int(total.sum()), int(equal.sum()), truncated)


def _earlier_by(
    keys: NDArray[np.int64], values: Floats, least_key: NDArray[np.int64], limit: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Count, for each query, the rows with ``key >= least_key`` and value below, equal to, and at all."""
    order = np.argsort(-keys, kind="stable")
    prefix = np.searchsorted(-keys[order], -least_key, side="right")
    distinct, ranks = np.unique(values[order], return_inverse=True)
    below = _below_in_prefix(ranks, prefix, np.searchsorted(distinct, limit, side="left"))
    upto = _below_in_prefix(ranks, prefix, np.searchsorted(distinct, limit, side="right"))
    return below, upto - below, prefix


def _below_in_prefix(
    ranks: NDArray[np.int64], prefix: NDArray[np.int64], limit: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Count, for each query q, the ranks below ``limit[q]`` among the first ``prefix[q]``.

    Walks the bits of the limits from the top (a wavelet matrix: Claude, Navarro & Ordóñez, Information Systems 47,
    2015), so n rows and m queries cost (n + m) log n, and no table of pairs is ever made.
    """
    low, high = np.zeros_like(prefix), prefix.copy()
    count = np.zeros_like(prefix)
    level = ranks
    for bit in range(int(max(ranks.max(initial=0), limit.max(initial=0))).bit_length() - 1, -1, -1):
        zero = (level >> bit) & 1 == 0
        zeros_before = np.concatenate([[0], np.cumsum(zero)])
        down_low, down_high = zeros_before[low], zeros_before[high]
        one_in_limit = (limit >> bit) & 1 == 1
        count += np.where(one_in_limit, down_high - down_low, 0)
        low = np.where(one_in_limit, zeros_before[-1] + low - down_low, down_low)
        high = np.where(one_in_limit, zeros_before[-1] + high - down_high, down_high)
        level = np.concatenate([level[zero], level[~zero]])
    return count
