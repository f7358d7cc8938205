"""Weights that make up for rows lost to follow-up. Conventions: see `follow_up`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.base.arrays import Bools, Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.survival.follow_up import checked_follow_up
from models.survival.kaplan_meier import KaplanMeier, censoring_distribution
from models.survival.reading_curves import own_day

MIN_FOLLOWED: Final = 0.05
"""Smallest probability of still being followed that a censoring weight divides by: no row counts for more than 20."""


@dataclass(frozen=True, eq=False)
class CensoringWeights:
    """Inverse probability of censoring weights for the status of each row by each day.

    Attributes
    ----------
    weights : array, shape (n, d)
        0 where the status by that day is unknown (censored before) or not asked for (entered on or after that day).
    returned : array of bool, shape (n, d)
        Whether the row is known to have had the event by that day.
    eligible : array of bool, shape (n, d)
        Whether the row entered before that day.
    truncated : array of int, shape (d,)
        Rows whose probability of being followed was below `min_followed` and was raised to it, for each day.
    """

    weights: Floats
    returned: Bools
    eligible: Bools
    truncated: NDArray[np.int64]
    min_followed: float


def censoring_weights(
    time: ArrayLike,
    event: ArrayLike,
    days: ArrayLike,
    entry: ArrayLike | None = None,
    *,
    censoring: KaplanMeier | Floats | None = None,
    grid: Floats = DAYS,
    min_followed: float = MIN_FOLLOWED,
) -> CensoringWeights:
    r"""Weigh the rows whose status by a day is known, so that they stand for those whose status is not.

    .. math::

        w_i(t) = \frac{1\{T_i \le t, \delta_i = 1\}}{G(T_i-)/G(e_i)}
               + \frac{1\{T_i \ge t, \text{no event by } t\}}{G(t-)/G(e_i)}

    A row censored exactly on day t is known to have held through it, so it counts, with G(t−). This keeps the last
    day of a fixed follow-up usable; for a day on which nobody is censored it equals the usual ``T > t`` with G(t).
    Reading a hair after day t gives the usual form exactly.

    **Late entry.** A row watched from day e > 0 tells about days after e, given that it held to e: it is eligible for
    days after e only, and its chance of being followed is conditional on being followed at e. Its status must then be
    compared with the conditional forecast S(t)/S(e).

    Parameters
    ----------
    time, event, entry : array_like, shape (n,)
        As in `kaplan_meier`.
    days : array_like, shape (d,) or (n, d)
        Days asked about: the same for every row, or each row's own.
    censoring : KaplanMeier or array of shape (n, len(grid)), optional
        The probability of still being followed: a marginal curve (for example of the training data), or one curve for
        each row on `grid`, read linear in its cumulative hazard. Without it: the marginal curve of these rows. Use
        curves for each row where being lost depends on the forecast (a shop that replaces the worst first); an
        end of follow-up that is the same day for all rows needs no place in them.
    grid : array, shape (g,)
        Days of the curves in `censoring`.
    min_followed : float
        Smallest probability divided by; what was raised to it is counted in the result.

    Raises
    ------
    BadInput
        As `kaplan_meier`; also if the shapes do not fit.

    References
    ----------
    Graf et al., Statistics in Medicine 18, 2529-2545, 1999; Robins & Finkelstein, Biometrics 56, 779-788, 2000.

    Examples
    --------
    >>> censoring_weights([1, 2, 3, 4], [True, False, True, True], [3.0]).weights[:, 0].round(4).tolist()
    [1.0, 0.0, 1.5, 1.5]
    """
    times, events, entries, _ = checked_follow_up(time, event, entry, None)
    at = np.asarray(days, dtype=np.float64)
    at = at[None, :] if at.ndim == 1 else at
    if at.ndim != 2 or at.shape[0] not in (1, times.size):
        raise BadInput.one(
            "days", f"has shape {np.shape(days)}.", f"Give shape (d,), or ({times.size}, d) for each row's own days."
        )
    returned = events[:, None] & (times[:, None] <= at)
    eligible = np.broadcast_to((entries[:, None] < at) | (entries[:, None] <= 0), returned.shape)
    known = eligible & (returned | (times[:, None] >= at))
    asked = np.where(known, np.minimum(times[:, None], at), 0.0)
    if isinstance(censoring, np.ndarray):
        if censoring.shape != (times.size, grid.size):
            raise BadInput.one(
                "censoring",
                f"has shape {censoring.shape}.",
                f"Give one curve a row on the grid: ({times.size}, {grid.size}).",
            )
        followed = own_day(censoring, asked, grid) / own_day(censoring, entries, grid)[:, None]
    else:
        curve = censoring_distribution(times, events, entries) if censoring is None else censoring
        followed = curve.at(asked, before=True) / np.maximum(curve.at(entries), 1e-12)[:, None]
        followed[asked <= 0] = 1.0
    if np.isnan(followed[known]).any():
        raise BadInput.one(
            "days",
            "reach past the follow-up on which `censoring` was estimated.",
            "Ask about earlier days, or estimate it on a longer follow-up.",
        )
    small = known & (followed < min_followed)
    weights = np.where(known, 1.0 / np.maximum(np.where(known, followed, 1.0), min_followed), 0.0)
    return CensoringWeights(weights, returned, np.asarray(eligible), small.sum(axis=0), min_followed)
