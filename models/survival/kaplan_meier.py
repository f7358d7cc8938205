"""Product-limit estimates: how many hold, and how many are still followed. Conventions: see `follow_up`.

Late entry can leave very few rows at risk early on, and a single return among them pulls the whole curve down: look at
`KaplanMeier.at_risk` before trusting the start of such a curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from models.base.arrays import Floats
from models.survival.follow_up import checked_follow_up, weight_at_risk, weight_by_day


@dataclass(frozen=True, eq=False)
class KaplanMeier:
    """A product-limit curve, constant between its days.

    Attributes
    ----------
    days : array, shape (k,)
        Days with at least one event, increasing.
    survival : array, shape (k,)
        Estimate just after each of these days.
    at_risk, events : array, shape (k,)
        Weighted counts on each of these days. For a censoring distribution the events are the censorings.
    last_day : float
        Last observed day; past it the curve is unknown.
    """

    days: Floats
    survival: Floats
    at_risk: Floats
    events: Floats
    last_day: float

    def at(self, days: ArrayLike, *, before: bool = False) -> Floats:
        """Read the curve.

        Parameters
        ----------
        days : array_like
            Any shape, days.
        before : bool
            Read the limit from the left, S(t−), instead of S(t).

        Returns
        -------
        array, shape of `days`
            NaN past `last_day`, unless the curve has reached 0.
        """
        return self._read(np.concatenate([[1.0], self.survival]), days, before)

    def standard_error(self, days: ArrayLike) -> Floats:
        r"""Greenwood's standard error of S(t).

        .. math:: \mathrm{se}(t) = S(t) \sqrt{\sum_{t_i \le t} \frac{d_i}{r_i (r_i - d_i)}}

        Parameters
        ----------
        days : array_like
            Any shape, days.

        Returns
        -------
        array, shape of `days`
            NaN where the curve is 0 (the formula divides by zero there) or unknown.
        """
        return self.at(days) * np.sqrt(self._relative_variance(days))

    def interval(self, days: ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
        """Pointwise confidence interval on the log(−log S) scale, which never leaves 0 to 1.

        Parameters
        ----------
        days : array_like
            Any shape, days.
        confidence : float
            Between 0 and 1.

        Returns
        -------
        low, high : array, shape of `days`
            Both 1 before the first event; NaN where the curve is 0 or unknown.

        References
        ----------
        Kalbfleisch & Prentice, The Statistical Analysis of Failure Time Data, 2nd ed., 2002, section 1.4.1.
        """
        survival = self.at(days)
        inside = (survival > 0) & (survival < 1)
        log_s = np.log(np.where(inside, survival, 0.5))
        spread = ndtri(0.5 + confidence / 2) * np.sqrt(self._relative_variance(days)) / np.abs(log_s)
        untouched = np.where(survival == 1, 1.0, np.nan)
        low = np.where(inside, np.exp(log_s * np.exp(spread)), untouched)
        high = np.where(inside, np.exp(log_s * np.exp(-spread)), untouched)
        return low, high

    def quantile(self, share: float) -> float:
        """First day by which at least `share` have had the event, NaN if the curve does not get that far.

        Parameters
        ----------
        share : float
            Between 0 and 1; 0.5 is the median.

        Returns
        -------
        float
            Days.
        """
        reached = self.survival <= 1 - share + 1e-12
        return float(self.days[np.argmax(reached)]) if reached.any() else float("nan")

    def _relative_variance(self, days: ArrayLike) -> Floats:
        left = self.at_risk - self.events
        gone = left <= 1e-12 * self.at_risk
        steps = self.events / np.where(gone, np.inf, self.at_risk * left)
        return self._read(
            np.concatenate([[0.0], np.where(np.cumsum(gone) > 0, np.nan, np.cumsum(steps))]), days, before=False
        )

    def _read(self, steps: Floats, days: ArrayLike, before: bool) -> Floats:
        at = np.asarray(days, dtype=np.float64)
        values = steps[np.searchsorted(self.days, at, side="left" if before else "right")]
        ended = self.survival.size > 0 and self.survival[-1] <= 0
        return values if ended else np.where(at > self.last_day, np.nan, values)


def kaplan_meier(
    time: ArrayLike, event: ArrayLike, entry: ArrayLike | None = None, weights: ArrayLike | None = None
) -> KaplanMeier:
    r"""Estimate the probability of holding past each day.

    .. math:: S(t) = \prod_{t_i \le t} \left(1 - \frac{d_i}{r_i}\right)

    Parameters
    ----------
    time : array_like, shape (n,)
        Day of the event or of censoring.
    event : array_like of bool, shape (n,)
        Whether the event was seen.
    entry : array_like, shape (n,), optional
        Day from which each row was watched; 0 if not given. A row counts as at risk only after its entry.
    weights : array_like, shape (n,), optional
        Frequency weights, not negative; 2 is the same as writing the row twice.

    Raises
    ------
    BadInput
        If lengths differ, a value is missing or negative, or a row enters on or after its own day.

    References
    ----------
    Kaplan & Meier, J. Am. Stat. Assoc. 53, 457-481, 1958; late entry: Tsai, Jewell & Wang, Biometrika 74, 1987.

    Examples
    --------
    >>> curve = kaplan_meier([6, 6, 7, 9, 10], [True, True, True, False, True])
    >>> curve.at([6, 7, 9]).round(4).tolist()
    [0.6, 0.4, 0.4]
    """
    times, events, entries, masses = checked_follow_up(time, event, entry, weights)
    days, died = weight_by_day(times, events, masses)
    return product_limit(days, weight_at_risk(days, times, entries, masses), died, float(times.max()))


def censoring_distribution(
    time: ArrayLike, event: ArrayLike, entry: ArrayLike | None = None, weights: ArrayLike | None = None
) -> KaplanMeier:
    """Estimate the probability G(t) of still being followed after each day, with events taken before censorings.

    Parameters are those of `kaplan_meier`. A row with an event on day t has left before anybody is censored on day t.
    Read ``G(t−)`` with ``at(t, before=True)``.

    Returns
    -------
    KaplanMeier
        Of the censoring day.

    Raises
    ------
    BadInput
        As `kaplan_meier`.

    References
    ----------
    Gerds & Schumacher, Biometrical Journal 48, 1029-1040, 2006.

    Examples
    --------
    >>> censoring_distribution([1, 2, 2, 3], [True, True, False, False]).at([1, 2]).tolist()
    [1.0, 0.5]
    """
    times, events, entries, masses = checked_follow_up(time, event, entry, weights)
    days, lost = weight_by_day(times, ~events, masses)
    event_days, died = weight_by_day(times, events, masses)
    place = np.searchsorted(event_days, days)
    same_day = np.concatenate([event_days, [np.nan]])[place] == days
    leaving = np.where(same_day, np.concatenate([died, [0.0]])[place], 0.0)
    return product_limit(days, weight_at_risk(days, times, entries, masses) - leaving, lost, float(times.max()))


def product_limit(days: Floats, at_risk: Floats, events: Floats, last_day: float) -> KaplanMeier:
    """Return the curve that follows from weighted counts on the days with an event."""
    # Sums of weights may differ in the last digit; a share above 1 must not turn the curve negative.
    survival = np.asarray(np.cumprod(np.clip(1.0 - events / at_risk, 0.0, 1.0)), dtype=np.float64)
    return KaplanMeier(days, survival, at_risk, events, last_day)
