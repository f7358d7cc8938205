"""Product-limit estimates: holding, being followed, returning against being replaced, and censoring weights.

Conventions, the same throughout:

- A row is at risk at day t if ``entry < t <= time``. An entry of 0 (or less) means seen from the origin on, so such
  a row is at risk at day 0 too.
- Of returns and censorings on the same day the returns come first: a pack censored on day t is known to have held
  through day t.
- Past the last observed day nothing is known; curves are NaN there unless they have already reached 0.
- Late entry can leave very few rows at risk early on, and a single return among them pulls the whole curve down:
  look at `KaplanMeier.at_risk` before trusting the start of such a curve.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from models.base.arrays import Bools, Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput, Problem

MIN_FOLLOWED: Final = 0.05
"""Smallest probability of still being followed that a censoring weight divides by: no row counts for more than 20."""


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
    min_followed : float
    """

    weights: Floats
    returned: Bools
    eligible: Bools
    truncated: NDArray[np.int64]
    min_followed: float


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

    Returns
    -------
    KaplanMeier

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
    days, died = _tally(times, events, masses)
    return _product_limit(days, _at_risk(days, times, entries, masses), died, float(times.max()))


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
    days, lost = _tally(times, ~events, masses)
    event_days, died = _tally(times, events, masses)
    place = np.searchsorted(event_days, days)
    same_day = np.concatenate([event_days, [np.nan]])[place] == days
    leaving = np.where(same_day, np.concatenate([died, [0.0]])[place], 0.0)
    return _product_limit(days, _at_risk(days, times, entries, masses) - leaving, lost, float(times.max()))


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
        days, died = _tally(times, causes == kind, masses)
        increments[np.searchsorted(overall.days, days), kind - 1] = died
    share = overall.at(overall.days, before=True) / overall.at_risk
    return CumulativeIncidence(overall.days, np.cumsum(share[:, None] * increments, axis=0), overall.last_day)


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

    Returns
    -------
    CensoringWeights

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


def own_day(curves: Floats, days: Floats, grid: Floats = DAYS) -> Floats:
    """Read each row's curve on that row's own day(s), linear in the cumulative hazard.

    Parameters
    ----------
    curves : array, shape (n, g)
        Probabilities on `grid`, not increasing along a row.
    days : array, shape (n,) or (n, d)
        Each row's own day(s); a day past the grid is read at its end.
    grid : array, shape (g,)

    Returns
    -------
    array, shape of `days`

    Examples
    --------
    >>> own_day(np.array([[1.0, 0.25], [1.0, 0.81]]), np.array([5.0, 5.0]), np.array([0.0, 10.0])).round(3).tolist()
    [0.5, 0.9]
    """
    at = np.clip(days, grid[0], grid[-1])
    right = np.clip(np.searchsorted(grid, at, side="left"), 1, grid.size - 1)
    share = (at - grid[right - 1]) / (grid[right] - grid[right - 1])
    log_s = np.log(np.maximum(curves, 1e-12))
    rows = np.arange(curves.shape[0]).reshape((-1,) + (1,) * (at.ndim - 1))
    return np.asarray(np.exp(log_s[rows, right - 1] * (1 - share) + log_s[rows, right] * share))


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


def _tally(time: Floats, mark: Bools, weights: Floats) -> tuple[Floats, Floats]:
    """Return the distinct days of the marked rows of positive weight and the weight on each."""
    used = mark & (weights > 0)
    days, place = np.unique(time[used], return_inverse=True)
    return days, np.bincount(place, weights=weights[used], minlength=days.size).astype(np.float64)


def _at_risk(days: Floats, time: Floats, entry: Floats, weights: Floats) -> Floats:
    """Weight of the rows with ``entry < day <= time``; an entry of 0 or less is before every day."""
    late = entry > 0
    return _at_least(time, weights, days) - _at_least(entry[late], weights[late], days)


def _at_least(values: Floats, weights: Floats, days: Floats) -> Floats:
    order = np.argsort(values, kind="stable")
    below = np.concatenate([[0.0], np.cumsum(weights[order])])
    return np.asarray(below[-1] - below[np.searchsorted(values[order], days, side="left")], dtype=np.float64)


def _product_limit(days: Floats, at_risk: Floats, events: Floats, last_day: float) -> KaplanMeier:
    # Sums of weights may differ in the last digit; a share above 1 must not turn the curve negative.
    survival = np.asarray(np.cumprod(np.clip(1.0 - events / at_risk, 0.0, 1.0)), dtype=np.float64)
    return KaplanMeier(days, survival, at_risk, events, last_day)
