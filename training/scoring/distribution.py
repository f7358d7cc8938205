"""Calibration of the whole forecast distribution: whether its quantiles are met as often as they should be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import chi2

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from training.scoring.held_out import HeldOut, held_out


@dataclass(frozen=True)
class DistributionCalibration:
    """Where outcomes fell in their own forecast distribution.

    Attributes
    ----------
    shares : tuple of float, length b
        Share of rows whose hold probability at their outcome lay in [0, 1/b), [1/b, 2/b), …; 1/b each if calibrated.
        The last bin holds the early returns, the first those later than nearly always forecast.
    statistic, p_value : float
        Pearson's, with b − 1 degrees of freedom.
    rows, censored : int
        Censored rows are spread over all bins in which their return may still fall, which blunts the test: it
        rejects calibrated forecasts less often than stated, never more.
    """

    shares: tuple[float, ...]
    statistic: float
    p_value: float
    rows: int
    censored: int


def distribution_calibration(
    survival: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None = None,
    *,
    bins: int = 10,
    exact_times: bool = False,
    grid: Floats = DAYS,
) -> DistributionCalibration:
    r"""Test whether S(T) is uniform between 0 and 1, as it is for the true distribution.

    With b bins, an event at hold probability u adds 1 to the bin of u. A row censored at c adds
    :math:`(c - l)/c` to its own bin [l, l + 1/b) and :math:`1/(bc)` to each bin below. With the sums :math:`N_k`,

    .. math:: X^2 = \sum_k \frac{(N_k - N/b)^2}{N/b}

    A row still watched on the last grid day is censored there.

    A forecast on a day grid speaks of grid days only: when within its bin a return falls (never at night) it leaves
    open. So an event is spread evenly over the hold probabilities between the grid days around it, the nonrandomised
    transform for discrete forecasts (Czado, Gneiting & Held 2009, Biometrics 65, 1254-1261), which is uniform exactly
    if the forecast is right on its grid. With `exact_times` it counts where the curve, read between grid days, has it.

    **Late entry.** A row that entered on day e has held to e, so S(T)/S(e) takes the place of S(T).

    Parameters
    ----------
    survival, time, event, entry, grid
        As in `training.scoring.brier.brier_score`.
    bins : int
        At least 2.
    exact_times : bool
        Judge the curve between grid days too, as the paper does for continuous forecasts.

    Raises
    ------
    BadInput
        If shapes or values do not fit.

    References
    ----------
    Haider, Hoehn, Davis & Greiner, Journal of Machine Learning Research 21(85), 2020, section 3.5 and appendix B.

    Examples
    --------
    One pack censored at hold probability 0.35, ten bins.

    >>> found = distribution_calibration([[1.0, 0.35]], [1.0], [False], grid=np.array([0.0, 1.0]))
    >>> [round(s, 4) for s in found.shares[:5]]
    [0.2857, 0.2857, 0.2857, 0.1429, 0.0]
    """
    if bins < 2:
        raise BadInput.one("bins", f"is {bins}.", "Ask for at least two bins.")
    rows = held_out(survival, time, event, entry, grid)
    u = rows.given_entry(rows.time[:, None])[:, 0]
    own = np.minimum((u * bins).astype(np.int64), bins - 1)
    if exact_times:
        counts = np.bincount(own[rows.event], minlength=bins).astype(np.float64)
    else:
        counts = _spread(*_around(rows), bins)
    level, place = np.maximum(u[~rows.event], 1e-12), own[~rows.event]
    counts += np.bincount(place, weights=(level - place / bins) / level, minlength=bins)
    # Every bin below a censored row's own gets the same part: add it once and sum from the top.
    parts = np.bincount(place, weights=1.0 / (bins * level), minlength=bins)
    counts += np.concatenate([np.cumsum(parts[::-1])[::-1][1:], [0.0]])
    expected = rows.time.size / bins
    statistic = float(((counts - expected) ** 2 / expected).sum())
    return DistributionCalibration(
        tuple((counts / rows.time.size).tolist()),
        statistic,
        float(chi2.sf(statistic, bins - 1)),
        rows.time.size,
        int((~rows.event).sum()),
    )


def _around(rows: HeldOut) -> tuple[Floats, Floats]:
    """Hold probability on the grid days after and before each event, given late entry."""
    right = np.clip(np.searchsorted(rows.grid, rows.time, side="left"), 1, len(rows.grid) - 1)
    found = rows.given_entry(np.column_stack([rows.grid[right], rows.grid[right - 1]]))[rows.event]
    return found[:, 0], found[:, 1]


def _spread(low: Floats, high: Floats, bins: int) -> Floats:
    """Events, each spread evenly over its interval, counted by bin."""
    edges = np.linspace(0.0, 1.0, bins + 1)
    width = np.maximum(high - low, 1e-12)[:, None]
    inside = np.clip(np.minimum(high[:, None], edges[1:]) - np.maximum(low[:, None], edges[:-1]), 0.0, None) / width
    # An interval without width falls into the bin it lies in.
    flat = high - low < 1e-12
    inside[flat] = 0.0
    inside[flat, np.minimum((low[flat] * bins).astype(np.int64), bins - 1)] = 1.0
    return np.asarray(inside.sum(axis=0))
