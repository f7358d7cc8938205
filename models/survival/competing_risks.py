"""Returning against being replaced. Conventions: see `follow_up`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from models.base.arrays import Floats
from models.base.errors import BadInput
from models.survival.follow_up import checked_follow_up, weight_by_day
from models.survival.kaplan_meier import kaplan_meier


@dataclass(frozen=True, eq=False)
class CumulativeIncidence:
    """Probability of having had each kind of event, with the other kinds competing.

    Attributes
    ----------
    days : array, shape (k,)
        Days with an event of any kind, increasing.
    incidence : array, shape (k, m)
        One column for each of the causes 1 to m, just after each day.
    last_day : float
        Last observed day; past it the curves are unknown.
    """

    days: Floats
    incidence: Floats
    last_day: float

    def at(self, days: ArrayLike) -> Floats:
        """Read all curves.

        Parameters
        ----------
        days : array_like, shape (d,)
            Days.

        Returns
        -------
        array, shape (d, m)
            NaN past `last_day`, unless every row has had an event by then.
        """
        at = np.atleast_1d(np.asarray(days, dtype=np.float64))
        steps = np.vstack([np.zeros((1, self.incidence.shape[1])), self.incidence])
        values = steps[np.searchsorted(self.days, at, side="right")]
        unknown = (at > self.last_day) & (values.sum(axis=1) < 1 - 1e-12)
        return np.where(unknown[:, None], np.nan, values)


def aalen_johansen(
    time: ArrayLike, cause: ArrayLike, entry: ArrayLike | None = None, weights: ArrayLike | None = None
) -> CumulativeIncidence:
    r"""Estimate the cumulative incidence of each cause when they compete (a return against a replacement).

    .. math:: I_k(t) = \sum_{t_i \le t} S(t_i-) \, \frac{d_{ik}}{r_i}, \quad S \text{ the curve of any cause}

    Parameters
    ----------
    time : array_like, shape (n,)
        Day of the event or of censoring.
    cause : array_like of int, shape (n,)
        0 for censored, else 1 to m.
    entry, weights : array_like, shape (n,), optional
        As in `kaplan_meier`.

    Returns
    -------
    CumulativeIncidence

    Raises
    ------
    BadInput
        As `kaplan_meier`; also if a cause is negative or no whole number, or there is no event at all.

    References
    ----------
    Aalen & Johansen, Scandinavian Journal of Statistics 5, 141-150, 1978.

    Examples
    --------
    >>> aalen_johansen([1, 2, 3, 4], [1, 2, 0, 1]).at([1, 2, 4]).tolist()
    [[0.25, 0.0], [0.25, 0.25], [0.75, 0.25]]
    """
    causes = np.asarray(cause)
    if not np.all(np.equal(np.mod(causes, 1), 0) & (causes >= 0)) or not np.any(causes > 0):
        raise BadInput.one(
            "cause",
            "holds something else than 0, 1, 2, … or no event at all.",
            "Code censored rows 0 and each kind of event 1, 2, ….",
        )
    times, events, entries, masses = checked_follow_up(time, causes > 0, entry, weights)
    overall = kaplan_meier(times, events, entries, masses)
    increments = np.zeros((overall.days.size, int(causes.max())))
    for kind in range(1, increments.shape[1] + 1):
        days, died = weight_by_day(times, causes == kind, masses)
        increments[np.searchsorted(overall.days, days), kind - 1] = died
    share = overall.at(overall.days, before=True) / overall.at_risk
    return CumulativeIncidence(overall.days, np.cumsum(share[:, None] * increments, axis=0), overall.last_day)
