"""How far a workshop's record carries a forecast: how many packs were watched for how long, and which are like them.

A mixture of forecasts says what came of the packs on record, however few they were. Two things it does not know: how
unsure a share of so few packs is, and that a pack unlike all of them is none of them. Both are counted here.

References
----------
Clopper & Pearson (1934), Biometrika 26, 404-413, for the exact limits of a share; Korn & Graubard (1998), Survey
Methodology 24, 193-201, for reading them at an effective number that need not be whole; Peto et al. (1977), British
Journal of Cancer 35, 1-39, for that number where packs are lost on the way: those still watched, divided by the share
that holds (all three from memory, unverified). Without a return among n packs the lower limit is 0.05^(1/n), the rule
of three.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import betaincinv

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.calibration.workshop_posterior import BAND
from models.calibration.world_prior import FURTHEST, Scale, WorldPrior, WorldRecord
from models.survival.kaplan_meier import kaplan_meier

RETURNS_ACROSS_FAMILIES: Final = 10.0
"""Returns that what was known before counts as against a record, for families that it does not hold. In seven held-out
simulated worlds 5 and 10 scored about as no leaning did, 50 and 100 worse (`tests/studies/learning.md`)."""

KNOTS: Final[Floats] = np.linspace(0.0, 1.0, 201)
"""Shares at which the limits are kept; between them they are read on a straight line, off by less than 0.002."""
KNOTS.flags.writeable = False


def limits(share: Floats, number: Floats) -> tuple[Floats, Floats]:
    """Return the exact limits, at `BAND`, of a share seen among so many; 0 and 1 among none.

    Examples
    --------
    >>> low, high = limits(np.array([0.0, 0.1, 1.0]), np.array([10.0, 20.0, 60.0]))
    >>> low.round(4).tolist(), high.round(4).tolist()
    ([0.0, 0.0181, 0.9513], [0.2589, 0.2826, 1.0])
    """
    with_it, without = number * share, number * (1 - share)
    low = betaincinv(np.maximum(with_it, 1e-9), without + 1, BAND[0])
    high = betaincinv(with_it + 1, np.maximum(without, 1e-9), BAND[1])
    none = number <= 0
    return np.where(none | (with_it <= 0), 0.0, low), np.where(none | (without <= 0), 1.0, high)


def watched_packs(record: WorldRecord) -> Floats:
    """Return how many packs a record's share of holding counts as, by the end of each day of the grid.

    Returns
    -------
    array, shape (len(DAYS),)
        Those still watched, divided by the share that holds; 0 past the longest time that any was watched, unless all
        of them had come back by then.
    """
    seen = record.outcomes()
    curve = kaplan_meier(seen.time, seen.event, seen.entry, seen.weights)
    left = (seen.weights[:, None] * (seen.time[:, None] > DAYS)).sum(axis=0)
    left[-1] = seen.weights[seen.time >= DAYS[-1]].sum()
    hold = curve.at(np.minimum(DAYS, curve.last_day))
    number = np.where(hold > 0, left / np.where(hold > 0, hold, 1.0), np.nan)
    # Where all have come back nobody is lost: as many as there were before the last did.
    return np.asarray(pd.Series(number).ffill(), dtype=np.float64)


@dataclass(frozen=True)
class Nearness:
    """How far a record speaks for each of n packs, each from 0 to 1.

    Attributes
    ----------
    counted : array, shape (n,)
        As one of those watched: 1 for a pack no further out than the record's own are from one another, less the
        further out it is, 0 for a family that the record does not hold.
    told : array, shape (n,)
        For its curve. What a workshop's packs have in common goes for its other families too, once there are returns to
        tell it (`RETURNS_ACROSS_FAMILIES`).
    """

    counted: Floats
    told: Floats


@dataclass(frozen=True)
class RecordReach:
    """The reach of one record.

    Attributes
    ----------
    number : array, shape (len(DAYS),)
        Packs that a share counts as, by each day: `watched_packs`.
    low, high : array, shape (len(DAYS), len(KNOTS))
        Exact limits of each share that may be forecast for a day.
    least, most : array, shape (p,)
        Ends of what was seen of each column of the prior, in the workshop's own spreads; infinite where nothing was.
    spacing : float
        How far from all others the pack lies that lies furthest from them, root of the sum of squares over columns.
    returns : float
        Top-ups that were followed by one.
    layouts : frozenset of tuple
        Families with an outcome, by the columns named `told_apart`.
    """

    number: Floats
    low: Floats
    high: Floats
    least: Floats
    most: Floats
    spacing: float
    returns: float
    told_apart: tuple[str, ...]
    layouts: frozenset[tuple[float, ...]]

    @classmethod
    def of(
        cls,
        record: WorldRecord,
        prior: WorldPrior,
        scale: Scale,
        packs: NDArray[np.object_],
        told_apart: tuple[str, ...],
    ) -> Self:
        """Measure a record.

        Parameters
        ----------
        packs : array, shape (n,)
            Of each row: moments of one pack are no witnesses for one another.
        told_apart : tuple of str
            Columns that are the same for all packs of a family.
        """
        number, seen = watched_packs(record), record.outcomes()
        grid = np.repeat(number[:, None], len(KNOTS), axis=1)
        low, high = limits(np.broadcast_to(KNOTS, grid.shape), grid)
        values = pd.DataFrame(_levelled(record.X, prior, scale)).groupby(packs)
        most, least = values.max().to_numpy(), values.min().to_numpy()
        apart = np.zeros(len(most))
        for ends in (most, -least):
            for column in ends.T:
                known = np.flatnonzero(~np.isnan(column))
                if len(known) > 1:
                    last, first = known[np.argsort(column[known])[-2:]]
                    apart[first] += (column[first] - column[last]) ** 2
        return cls(
            number,
            low,
            high,
            np.nan_to_num(np.fmin.reduce(least, axis=0), nan=-np.inf),
            np.nan_to_num(np.fmax.reduce(most, axis=0), nan=np.inf),
            float(np.sqrt(apart.max())),
            float(seen.weights[seen.event].sum()),
            told_apart,
            frozenset(map(tuple, record.X[list(told_apart)].to_numpy(np.float64).round(6).tolist())),
        )

    def nearness(self, X: pd.DataFrame, prior: WorldPrior, scale: Scale) -> Nearness:
        """Return how far the record speaks for each row."""
        values = _levelled(X, prior, scale)
        beyond = np.nan_to_num(np.maximum(np.maximum(self.least - values, values - self.most), 0.0))
        far = np.sqrt((beyond**2).sum(axis=1))
        like = np.where(far > self.spacing, self.spacing / np.where(far > 0, far, 1.0), 1.0)
        rows = X[list(self.told_apart)].to_numpy(np.float64).round(6).tolist()
        held = np.array([tuple(row) in self.layouts for row in rows], dtype=np.bool_)
        across = self.returns / (self.returns + RETURNS_ACROSS_FAMILIES)
        return Nearness(np.where(held, like, 0.0), np.where(held, like, like * across))

    def promised(self, mean: Floats, near: Nearness) -> Floats:
        """Return what may be promised of forecasts by the record alone, shape (n, len(DAYS)).

        The asked pack is counted in as one more of the packs watched, and as one that fails: so split-conformal
        prediction counts (`models.calibration.conformal`). The exact limit instead cut the days promised to a third
        after 25 returns, of which 97 in 100 had been kept (`tests/studies/learning.md`).
        """
        return near.counted[:, None] * mean * (self.number / (self.number + 1))

    def limits_of(self, mean: Floats, near: Nearness) -> tuple[Floats, Floats]:
        """Return the exact limits of forecasts for which the record speaks so far; shape (n, len(DAYS)) each.

        The distance of either limit from its end, 0 or 1, shrinks with `near.counted`.
        """
        place = np.minimum(mean * (len(KNOTS) - 1), len(KNOTS) - 1 - 1e-9)
        left = place.astype(np.intp)
        part, day = place - left, np.arange(len(DAYS))
        low, high = ((1 - part) * ends[day, left] + part * ends[day, left + 1] for ends in (self.low, self.high))
        counted = near.counted[:, None]
        return counted * low, 1 - counted * (1 - high)


def _levelled(X: pd.DataFrame, prior: WorldPrior, scale: Scale) -> Floats:
    """Return the prior's columns in the workshop's own spreads, unknown ones NaN; shape (n, p)."""
    p = len(prior.columns.names)
    values = X.to_numpy(np.float64)[:, X.columns.get_indexer(pd.Index(prior.columns.names))]
    return np.asarray(np.clip((values - scale.centre[:p]) / scale.spread[:p], -FURTHEST, FURTHEST))
