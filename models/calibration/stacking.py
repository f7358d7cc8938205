"""Mixing forecasts: how much each of several counts, by how well it foretold what came of rows it had not learned from.

A workshop's own packs may follow what a forecaster knows, or nothing of it but their own plain curve. Which of the two
cannot be told beforehand, and with few outcomes not afterwards either: so no forecast is chosen, all are mixed.

References
----------
Yao, Vehtari, Simpson & Gelman (2018), Using stacking to average Bayesian predictive distributions, Bayesian Analysis
13(3), 917-1007: the logarithmic score of the mixture on rows left out. Here its shares are averaged over their
posterior rather than taken at its mode, since few rows do not say which mixture is best.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
import pandas as pd

from models.base.arrays import Bools, Floats
from models.base.day_grid import DAYS
from models.calibration.record_reach import Nearness, RecordReach
from models.calibration.workshop_posterior import WorkshopPosterior
from models.calibration.world_prior import STRAYS
from models.estimators.residual_trees import ResidualTrees
from models.survival.estimator import SurvivalEstimator

STEPS: Final = 10
"""Parts into which the shares of a mixture are divided: finer ones change no share by a hundredth."""


def outcome_likelihood(survival: Floats, time: Floats, event: Bools) -> Floats:
    """Return the probability that each row's curve gave what was seen of it.

    Parameters
    ----------
    survival : array, shape (n, len(DAYS))
    time, event : array, shape (n,)
        Days and whether the fault returned then.

    Returns
    -------
    array, shape (n,)
        Of a return: the probability of its bin of the day grid. Of a row followed without one: that it held so long,
        read between grid days on a straight line. A share `STRAYS` of each curve is spread evenly over twice the grid.
    """
    curves = (1 - STRAYS) * survival + STRAYS * (1 - DAYS / (2 * DAYS[-1]))
    seen = np.minimum(time, DAYS[-1])
    end = np.clip(np.searchsorted(DAYS, seen, side="left"), 1, len(DAYS) - 1)
    row = np.arange(len(seen))
    before, after = curves[row, end - 1], curves[row, end]
    part = (seen - DAYS[end - 1]) / (DAYS[end] - DAYS[end - 1])
    held = before + part * (after - before)
    return np.asarray(np.where(event & (time <= DAYS[-1]), before - after, held))


def mixture_shares(likelihood: Floats, weights: Floats) -> Floats:
    """Return the share of each forecast: the mean over all mixtures, each counted by how well it foretold the rows.

    Beforehand the last forecast, from before learning, may count as much as one likes, from nothing to all, beside the
    others together, and these may divide the rest as they like: every such share is as likely as any other.

    Parameters
    ----------
    likelihood : array, shape (n, k)
        `outcome_likelihood` of k forecasts that had not learned from the rows.
    weights : array, shape (n,)

    Returns
    -------
    array, shape (k,)
        Adding up to 1; without a row a half for the last, and equal ones for the others.
    """
    grid = _simplex(likelihood.shape[1])
    _, level, mixtures = np.unique(grid[:, -1], return_inverse=True, return_counts=True)
    score = weights @ np.log(likelihood @ grid.T) - np.log(mixtures[level])
    credence = np.exp(score - score.max())
    return np.asarray(credence @ grid / credence.sum())


def _simplex(parts: int) -> Floats:
    """All ways of dividing 1 among so many parts in steps of 1 / `STEPS`, shape (m, parts)."""
    first = np.zeros((1, 0), dtype=np.int64)
    for _ in range(parts - 1):
        first = np.array([[*row, step] for row in first for step in range(STEPS - sum(row) + 1)], dtype=np.int64)
    return np.hstack([first, STEPS - first.sum(axis=1, keepdims=True)]) / STEPS


class CurvesMaker(Protocol):
    """What makes hold curves with their band from those of a forecaster that has learned from no workshop."""

    def curves(self, survival: Floats, X: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
        """Return mean, low and high, shape (n, len(DAYS)) each."""
        ...


@dataclass(frozen=True)
class OwnMixture:
    """What a workshop's own packs say by themselves, mixed with forecasts that lean on other worlds.

    Attributes
    ----------
    residual : ResidualTrees
        Corrects the leaning forecast.
    members : tuple of SurvivalEstimator
        Fitted on own rows alone.
    shares : array, shape (2 + number of members + 1,)
        Of the leaning forecast, of its correction, of each member, and of the forecast as it was before learning.
    outcomes : int
        Recorded ends of the workshop's own top-ups that it rests on, returns and others.
    reach : RecordReach, optional
        How far the record carries.
    before : CurvesMaker, optional
        Makes the forecast as it was before learning, or as the record of sister workshops made it; a mixture stored
        before that was mixed in has none, and no share for it.
    """

    residual: ResidualTrees
    members: tuple[SurvivalEstimator, ...]
    shares: Floats
    outcomes: int
    before: CurvesMaker | None = None
    reach: RecordReach | None = None

    def joined(
        self, taken: Floats, curves: tuple[Floats, Floats, Floats], X: pd.DataFrame, near: Nearness | None = None
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Mix hold curves with their band: each end of the band by the same shares.

        What so few packs cannot tell is left as it was before learning. The band is no narrower than the exact limits
        of a share among them, or than it was. Promises count the asked pack in as one that fails; past the longest time
        that any was watched nothing is promised that was not promised before. The less a pack is like any of them, the
        more its curve is held back to what it was before, if that is lower.

        Parameters
        ----------
        taken : array, shape (n, len(DAYS))
            The curves that the posteriors build on.
        curves : tuple of array
            Of the leaning forecast: mean, low and high.
        X : DataFrame, n rows
        near : Nearness, optional
            How far the record speaks for each row; left out, it does for all.

        Returns
        -------
        mean, low, high, told : array, shape (n, len(DAYS))
            The last is the curve that promises rest on: the mean, but no higher than the record carries or than before.
        """
        leaning, correction, *own_shares = self.shares[: 2 + len(self.members)]
        own = np.zeros_like(taken)
        for share, member in zip(own_shares, self.members, strict=True):
            own += share * member.predict_survival(X, DAYS)
        mixed = [
            leaning * part + correction * other + own
            for part, other in zip(curves, self.residual.corrected(X, *curves), strict=True)
        ]
        before = None if self.before is None else self.before.curves(taken, X)
        if before is not None:
            for part, other in zip(mixed, before, strict=True):
                part += self.shares[-1] * other
        # Shares add up to 1 but for the last digit.
        mean, low, high = (np.clip(part, 0.0, 1.0) for part in mixed)
        if before is None or self.reach is None:  # a model stored before these were kept
            return mean, low, high, mean
        near = Nearness(np.ones(len(X)), np.ones(len(X))) if near is None else near
        share = near.told[:, None]
        mean, low = (
            np.minimum(part, share * part + (1 - share) * other)
            for part, other in ((mean, before[0]), (low, before[1]))
        )
        least, most = self.reach.limits_of(mean, near)
        told = np.minimum(mean, _falling(np.maximum(before[0], self.reach.promised(mean, near))))
        low = np.minimum(low, _falling(np.maximum(before[1], least)))
        return mean, low, np.maximum(high, _falling(np.minimum(before[2], most))), told


@dataclass(frozen=True)
class LearnedCurves:
    """What a forecaster says that has learned from a record: worlds still possible, mixed with what own packs say."""

    posterior: WorkshopPosterior
    own: OwnMixture

    def curves(self, survival: Floats, X: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
        """Return the hold curves and their band from those before learning, shape (n, len(DAYS)) each."""
        mean, low, high, _ = self.told_curves(survival, X)
        return mean, low, high

    def told_curves(self, survival: Floats, X: pd.DataFrame) -> tuple[Floats, Floats, Floats, Floats]:
        """Return besides the curves that promises rest on."""
        made, reach = self.posterior, self.own.reach
        near = None if reach is None else reach.nearness(X, made.prior, made.scale)
        return self.own.joined(survival, made.curves(survival, X), X, near)


def _falling(curves: Floats) -> Floats:
    """Return the least curves that never rise: the limit of few packs jumps where one of them comes back."""
    return np.asarray(np.minimum.accumulate(curves, axis=1))
