"""A day a pack is good for, with a guarantee that does not rest on the model being right.

Any model's hold curves are turned into such a day by a split set of packs it never learned from. Each of them says
how far down its own predicted curve it came before the fault returned: its score, U = P(return by T) as predicted,
which is uniform for a perfect model. The bound for a new pack is the day on which its predicted return probability
reaches the largest level that few enough of those packs failed to reach.

Censored packs are no nuisance to be dropped: their scores are known to exceed the one at their last day. The share
failing below a level is estimated by the product-limit method *on the scale of the scores*, each risk set weighted by
the inverse probability of still being followed. That share is right if either holds: the scores do not depend on what
censoring depends on (so for any model whose shape is right), or the censoring curves are right.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.base import counts
from models.base.arrays import Bools, Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.base.messages import say, say_together
from models.survival.censoring_weights import MIN_FOLLOWED
from models.survival.estimator import Outcomes, check_grid, check_outcomes, require_events
from models.survival.kaplan_meier import censoring_distribution
from models.survival.reading_curves import own_day

MIN_GROUP: Final = 100
"""Packs a group needs for a level of its own: at 90 % confidence its level then rests on about ten failures."""


RISKS: Final[Floats] = np.arange(101) / 100
"""Risks, whole per cents from 0 to 1, of which the levels that days are told at are kept with a forecast."""
RISKS.flags.writeable = False

MAX_KNOTS: Final = 64
"""Levels at which censoring weights are read anew; between them they stand still, which costs no validity."""


@dataclass(frozen=True)
class _Levels:
    """Scores that may serve as the level, increasing, and the corrected miscoverage of each."""

    scores: Floats
    miscoverage: Floats

    @classmethod
    def estimate(cls, scores: Floats, failed: Bools, weights_at: Callable[[float, NDArray[np.intp]], Floats]) -> Self:
        r"""Product-limit miscoverage with the new pack counted in.

        With :math:`m_u` packs (Kish's effective number) still at risk at score u, and the new pack as one more average
        member of every risk set who fails just at the level a,

        .. math:: \alpha(a) = 1 - \frac{m_a}{m_a + 1} \prod_{u < a} \left(1 - \frac{w_u}{W_u (1 + 1/m_u)}\right)

        which without censoring is k/(n + 1) at the k-th smallest score: the split-conformal rank.

        Parameters
        ----------
        scores, failed : array, shape (n,)
            Score of each pack, and whether it failed there or was censored.
        weights_at : callable
            The weights of some rows in the risk set at a score.
        """
        order = np.lexsort((~failed, scores))
        ranked, failing = scores[order], failed[order]
        knots = np.unique(np.linspace(0, failing.sum() - 1, MAX_KNOTS).astype(int))
        starts = np.unique(np.concatenate([[0], np.searchsorted(ranked, ranked[failing][knots], side="left")]))
        step, number = np.empty(len(ranked)), np.empty(len(ranked))
        for start, stop in pairwise([*starts, len(ranked)]):
            weights = weights_at(float(ranked[start]), order[start:])
            part = slice(0, stop - start)
            at_risk = np.cumsum(weights[::-1])[::-1][part]
            number[start:stop] = at_risk**2 / np.cumsum(weights[::-1] ** 2)[::-1][part]
            step[start:stop] = failing[start:stop] * weights[part] / (at_risk * (1 + 1 / number[start:stop]))
        passed = np.concatenate([[1.0], np.cumprod(1 - step)[:-1]])
        # Of packs sharing a score none counts as failed below it, so the first of them speaks for the level.
        first = np.concatenate([[True], np.diff(ranked) > 0])
        miscoverage = 1 - passed[first] * number[first] / (number[first] + 1)
        # The effective number may jump; a level is good only if every smaller one is.
        return cls(ranked[first], np.maximum.accumulate(miscoverage))

    def at(self, levels: Floats) -> Floats:
        """Return the miscoverage of any levels: 1 past the last score, where nothing is known."""
        return np.append(self.miscoverage, 1.0)[np.searchsorted(self.scores, levels, side="left")]

    def level(self, alpha: float) -> float:
        """Return the largest level whose miscoverage is at most alpha, 0 if there is none."""
        return float(self.levels(np.array([alpha]))[0])

    def levels(self, alphas: Floats) -> Floats:
        """Return `level` of each of some risks."""
        # Rounding must not cost a rank: 10/100 has to count as 0.1.
        reached = np.searchsorted(self.miscoverage, alphas * (1 + 1e-9), side="right")
        return np.concatenate([[0.0], self.scores])[reached]


class ConformalBound:
    """Lower bounds on the return day at any confidence, for all packs or by group.

    Parameters
    ----------
    days : array, optional
        The grid of the curves; defaults to `models.base.day_grid.DAYS`.
    min_group : int
        A group with fewer calibration packs than this gets the level of all packs together.

    Notes
    -----
    With n uncensored calibration packs, exchangeable with the new one, P(T < bound) ≤ 1 − confidence holds exactly,
    over the draw of both, whatever the model. With censoring it holds up to the error of the estimated share, if one
    of the two conditions in the head of this module is met. It is a statement about packs on average (or about
    those of a group), not about each single pack. A confidence above n/(n + 1) is more than n packs can support: the
    bound is then day 0.

    References
    ----------
    Candès, Lei & Ren (2023), Conformalized survival analysis, JRSS B 85(1), 24-45; Robins & Finkelstein (2000),
    Biometrics 56, 779-788, for the weighted product limit.

    Examples
    --------
    >>> curve = np.linspace(1.0, 0.0, 11)[None, :]
    >>> days, returned = np.linspace(0.1, 9.9, 99), np.ones(99)
    >>> packs = ConformalBound(days=np.arange(11.0)).fit(np.repeat(curve, 99, axis=0), days, returned)
    >>> packs.bound(curve, confidence=0.9).round(1).tolist()
    [1.0]
    """

    def __init__(self, days: ArrayLike | None = None, min_group: int = MIN_GROUP) -> None:
        self.days = days
        self.min_group = min_group

    def fit(
        self,
        survival: ArrayLike,
        time: ArrayLike,
        event: ArrayLike,
        entry: ArrayLike | None = None,
        censoring_survival: ArrayLike | None = None,
        groups: ArrayLike | None = None,
    ) -> Self:
        """Learn the levels from packs that the model has not seen.

        Parameters
        ----------
        survival : array, shape (n, len(days))
            Predicted hold curves.
        time, event : array_like, shape (n,)
            What became of these packs.
        entry : array_like, shape (n,), optional
            Late entry: such a pack is scored by its curve given that it held until then.
        censoring_survival : array, shape (n, len(days)), optional
            Probability of still being followed on each day, a curve for each pack. Without it: one Kaplan–Meier curve
            of the censoring days for all, which is enough unless censoring depends on what the scores depend on.
        groups : array_like, shape (n,), optional
            A label for each pack; large groups get their own level, and so their own guarantee.

        Raises
        ------
        BadInput
            If shapes differ, outcomes contradict themselves or no fault returned within the grid.
        """
        self.grid_ = check_grid(DAYS if self.days is None else self.days)
        outcomes = check_outcomes(time, event, entry).until(float(self.grid_[-1]))
        curves = self._curves(survival, len(outcomes))
        inside = outcomes.entry < outcomes.time
        if not inside.all():
            raise BadInput.one(
                "entry", "lies on or past the last grid day.", "Leave out packs that entered after the horizon."
            )
        require_events(outcomes)
        hazard = _hazard(curves)
        before = _hazard(own_day(curves, outcomes.entry, self.grid_))
        gained = np.maximum(_hazard(own_day(curves, outcomes.time, self.grid_)) - before, 0.0)
        followed = self._followed(outcomes, censoring_survival)

        def weights_at(score: float, rows: NDArray[np.intp]) -> Floats:
            day, _ = self._day_of(hazard[rows], before[rows] - np.log1p(-score))
            return followed(np.minimum(day, outcomes.time[rows]), rows)

        def levels_of(rows: NDArray[np.intp]) -> _Levels:
            return _Levels.estimate(
                scores[rows], outcomes.event[rows], lambda score, some: weights_at(score, rows[some])
            )

        scores = -np.expm1(-gained)
        self.size_ = len(outcomes)
        self.overall_ = levels_of(np.arange(self.size_))
        self.by_group_: dict[Hashable, _Levels] = {}
        if groups is not None:
            labels = _labels(groups, self.size_)
            for label in np.unique(labels):
                rows = np.flatnonzero(labels == label)
                if len(rows) >= self.min_group and outcomes.event[rows].any():
                    self.by_group_[label] = levels_of(rows)
        return self

    def bound(self, survival: ArrayLike, confidence: float, groups: ArrayLike | None = None) -> Floats:
        """Return the day each pack is good for.

        Parameters
        ----------
        survival : array, shape (n, len(days))
        confidence : float
            Between 0 and 1, for example 0.9.
        groups : array_like, shape (n,), optional
            Labels as in `fit`; small and unknown groups get the level of all packs.

        Returns
        -------
        array, shape (n,)
            Days. The horizon means "at least the horizon": see `beyond_horizon`.
        """
        return self._bound(survival, confidence, groups)[0]

    def beyond_horizon(self, survival: ArrayLike, confidence: float, groups: ArrayLike | None = None) -> Bools:
        """Return, shape (n,), whether the bound was cut off at the horizon, past which nothing is claimed."""
        return self._bound(survival, confidence, groups)[1]

    def level(self, confidence: float, group: Hashable | None = None) -> float:
        """Return the predicted return probability at which the bound is read off, for one group or for all packs."""
        alpha = 1 - _check_confidence(confidence)
        return self.by_group_.get(group, self.overall_).level(alpha)

    def told_level(self, confidence: float, group: Hashable | None = None, widening: float = 1.0) -> float:
        """Return the level at which people are told a day: the bound's, but never more than the risk itself.

        The bound's day may lie past the one on which the curve reaches the same risk; of the two days for one risk the
        more careful one is told. The guarantee stands: an earlier day holds at least as often.

        Parameters
        ----------
        group : hashable, optional
        widening : float
            Share of the bound's level that is read instead, 1 or less.
        """
        return min(self.level(confidence, group) * widening, 1 - confidence)

    def told_levels(self, group: Hashable | None = None, widening: float = 1.0) -> Floats:
        """Return `told_level` of each of `RISKS`, shape (101,): with it a forecast's promises can be read off later."""
        levels = self.by_group_.get(group, self.overall_).levels(RISKS)
        return np.minimum(np.maximum.accumulate(levels) * widening, RISKS)

    def told_days(self, survival: ArrayLike, confidence: float, groups: ArrayLike | None = None) -> Floats:
        """Return the day that people are told of each pack, as by `told_level`; parameters as for `bound`."""
        curves = self._curves(survival, None)
        own, _ = self._day_of(_hazard(curves), np.full(len(curves), -np.log(_check_confidence(confidence))))
        return np.minimum(self.bound(curves, confidence, groups), own)

    def guarantee(self, confidence: float) -> str:
        """Say in words what a bound at this confidence promises, and on what it rests."""
        _check_confidence(confidence)
        return say(
            "Of packs like those on record at least %(chance)s of 100 hold until their day, on average; set on "
            "%(moments)s moments that the model had not learned from.",
            chance=f"{100 * confidence:g}",
            moments=self.size_,
        )

    def _bound(self, survival: ArrayLike, confidence: float, groups: ArrayLike | None) -> tuple[Floats, Bools]:
        alpha = 1 - _check_confidence(confidence)
        curves = self._curves(survival, None)
        level = np.full(len(curves), self.overall_.level(alpha))
        if groups is not None:
            labels = _labels(groups, len(curves))
            for label, levels in self.by_group_.items():
                level[labels == label] = levels.level(alpha)
        return self._day_of(_hazard(curves), -np.log1p(-level))

    def _day_of(self, hazard: Floats, target: Floats) -> tuple[Floats, Bools]:
        """Return the first day at which each cumulative hazard reaches its target, and whether it never does."""
        beyond = hazard[:, -1] < target
        right = np.clip((hazard < target[:, None]).sum(axis=1), 1, len(self.grid_) - 1)
        rows = np.arange(len(hazard))
        low, high = hazard[rows, right - 1], hazard[rows, right]
        share = np.clip((target - low) / np.where(high > low, high - low, np.inf), 0.0, 1.0)
        day = self.grid_[right - 1] + share * (self.grid_[right] - self.grid_[right - 1])
        return np.where(beyond, self.grid_[-1], day), beyond

    def _curves(self, survival: ArrayLike, rows: int | None) -> Floats:
        curves = np.asarray(survival, dtype=np.float64)
        if curves.ndim != 2 or curves.shape[1] != len(self.grid_) or rows not in (None, len(curves)):
            wanted = f"({'n' if rows is None else rows}, {len(self.grid_)})"
            raise BadInput.one(
                "survival", f"has shape {curves.shape}.", f"Give one curve a pack on the grid: {wanted}."
            )
        if not np.all((curves >= 0) & (curves <= 1)):
            raise BadInput.one("survival", "leaves 0 to 1.", "Give probabilities of holding.")
        return curves

    def _followed(
        self, outcomes: Outcomes, censoring_survival: ArrayLike | None
    ) -> Callable[[Floats, NDArray[np.intp]], Floats]:
        """Return the function that gives, for some rows each at its day, the inverse probability of being followed."""
        if censoring_survival is None:
            curve = censoring_distribution(outcomes.time, outcomes.event, outcomes.entry)
            at_entry = curve.at(outcomes.entry)

            def probability(day: Floats, rows: NDArray[np.intp]) -> Floats:
                return curve.at(day, before=True) / np.maximum(at_entry[rows], 1e-12)

        else:
            curves = self._curves(censoring_survival, len(outcomes))
            at_entry = own_day(curves, outcomes.entry, self.grid_)

            def probability(day: Floats, rows: NDArray[np.intp]) -> Floats:
                return own_day(curves[rows], day, self.grid_) / at_entry[rows]

        return lambda day, rows: 1 / np.clip(probability(day, rows), MIN_FOLLOWED, 1.0)


def told_hold(hold: Floats, levels: Floats) -> Floats:
    """Turn probabilities of holding into those that are promised.

    The promise for a risk is the day on which the curve reaches the level of that risk. Read the other way round, the
    risk of a day is the least of which the level is not below the curve's own return probability then: so whoever
    looks for the last day at a risk finds the day that was told.

    Parameters
    ----------
    hold : array, shape (n, m)
    levels : array, shape (n, 101)
        As `ConformalBound.told_levels`.

    Returns
    -------
    array, shape (n, m)
        Never above `hold`; between whole per cents on a straight line.
    """
    promised = np.empty_like(hold)
    row = np.arange(len(hold))
    for column, held in enumerate(hold.T):  # there are a hundred columns at most, but tens of thousands of rows
        back = 1 - held
        # Rounding must not cost a day: a level that is reached but for the last digits is reached.
        right = np.minimum((levels < (back - 1e-9)[:, None]).sum(axis=1), len(RISKS) - 1)
        left = np.maximum(right - 1, 0)
        low, high = levels[row, left], levels[row, right]
        step = high - low
        share = np.clip((back - low) / np.where(step > 0, step, np.inf), 0.0, 1.0)
        share = np.where(back >= high, 1.0, share)  # or past every level, where nothing is promised
        promised[:, column] = 1 - np.maximum(RISKS[left] + share * (RISKS[right] - RISKS[left]), back)
    return promised


class ShrunkenBound(ConformalBound):
    r"""A bound from a workshop's own few packs, leaning on a bound that was set elsewhere on many.

    The miscoverage of each level is that of both, weighed by packs,

    .. math:: \alpha(a) = \frac{k\,\alpha_0(a) + n\,\alpha_1(a)}{k + n}

    with n own packs and the earlier bound counting as k. Both terms carry the new pack's own correction, so what few
    own packs add errs on the side of the earlier day. Exact neither here nor there until n is much larger than k:
    then it is the own packs' guarantee.

    Parameters
    ----------
    own, before : ConformalBound
        Fitted on the same grid.
    prior_packs : float
        What the earlier bound counts as, in packs.
    pack_share : float
        Own packs (top-ups) per own row: rows of one pack are no independent witnesses.
    """

    def __init__(
        self, own: ConformalBound, before: ConformalBound, prior_packs: float, pack_share: float = 1.0
    ) -> None:
        super().__init__(own.days, own.min_group)
        self.grid_, self.size_ = own.grid_, before.size_ + own.size_
        self.own_size_, self.prior_packs = own.size_, prior_packs

        def mixed(mine: _Levels, theirs: _Levels) -> _Levels:
            # A level is listed once for each distinct score.
            scores = np.union1d(mine.scores, theirs.scores)
            weight = pack_share * len(mine.scores)
            share = weight / (weight + prior_packs)
            return _Levels(scores, share * mine.at(scores) + (1 - share) * theirs.at(scores))

        self.overall_ = mixed(own.overall_, before.overall_)
        self.by_group_ = {
            label: mixed(own.by_group_[label], before.by_group_.get(label, before.overall_))
            if label in own.by_group_
            else before.by_group_[label]
            for label in {**before.by_group_, **own.by_group_}
        }

    def guarantee(self, confidence: float) -> str:
        """Say in words what a bound at this confidence promises, and on what it rests."""
        own = say(
            "%(own)s of them are from the workshop's own record, weighed against %(packs)s from elsewhere.",
            own=self.own_size_,
            packs=counts.packs(round(self.prior_packs)),
        )
        return say_together(super().guarantee(confidence), own)


def _hazard(survival: Floats) -> Floats:
    return np.asarray(-np.log(np.maximum(survival, 1e-12)))


def _labels(groups: ArrayLike, rows: int) -> NDArray[Any]:
    labels = np.asarray(groups)
    if labels.shape != (rows,):
        raise BadInput.one("groups", f"has shape {labels.shape}.", f"Give one label for each of the {rows} packs.")
    return labels


def _check_confidence(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise BadInput.one("confidence", f"is {confidence}.", "Give a share between 0 and 1, for example 0.9.")
    return confidence
