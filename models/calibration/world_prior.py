"""How much worlds differ from what a forecaster believes: the prior by which a workshop's own outcomes are read.

A forecaster trained elsewhere is moved by a regression on its curves (`models.calibration.curve_regression`). How far
each coefficient may go, and which go together, is not chosen but learned: from many small records of simulated worlds
that the forecaster was not trained on (empirical Bayes).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.calibration.curve_regression import Bounds, CurveTerms, Normal, posterior
from models.calibration.recalibration import cumulative_hazards
from models.survival.estimator import Outcomes, check_outcomes

SHAPES: Final = 3
"""Polynomials of log time, besides the level, by which the shape of the hazard may differ. Invented."""

FURTHEST: Final = 4.0
"""Departures, of a curve or of a column, count up to so many units (natural logarithm; standard deviations)."""

OWN_SCALE_ROWS: Final = 20.0
"""Rows that the usual centre and spread of a column count as, against a workshop's own. Invented."""

STRAYS: Final = 0.01
"""Share of outcomes that tell of something else: another top-up, another block, a wrong date; spread evenly over twice
the grid. Without it one return on a day that a forecaster held for impossible outweighs a hundred others. Invented."""

LEAST_SLOPE: Final = 0.1
"""A departure of the given curve counts at least by this: forecasts are drawn together, but never change places."""

UNFORESEEN: Final = 2.0
"""Standard deviations of level, shape and departure count so many times: workshops differ in ways that no simulated
world does. Of 1, 1.5 and 2 the best, in eight of nine cases, in worlds in which every switch works another way than in
those learned from (`tests/studies/learning.md`)."""

ROUNDS: Final = 30
"""Of expectation and maximisation."""

ROUGHLY: Final = 0.01
"""Nats by which a world's mode may be off in a round: the next one goes on from there."""

VARIANCE_WORLDS: Final = 2.0
LEAST_VARIANCE: Final = 1e-4
"""A column's variance is drawn to this one as by so many worlds: one never needed is held near 0. Invented."""


@dataclass(frozen=True)
class WorldRecord:
    """One world's packs, as a forecaster that has not learned from them sees them.

    Attributes
    ----------
    survival : array, shape (n, len(DAYS))
    X : DataFrame, shape (n, features)
    time, event : array, shape (n,)
    weights : array, shape (n,)
        Moments of one top-up share one outcome.
    """

    survival: Floats
    X: pd.DataFrame
    time: Floats
    event: NDArray[np.bool_]
    weights: Floats

    def take(self, rows: NDArray[np.bool_]) -> WorldRecord:
        """Return some rows."""
        return WorldRecord(self.survival[rows], self.X[rows], self.time[rows], self.event[rows], self.weights[rows])

    def outcomes(self) -> Outcomes:
        """Return what became of them, to the horizon."""
        return check_outcomes(self.time, self.event, None, self.weights).until(float(DAYS[-1]))


@dataclass(frozen=True)
class Scale:
    """Centre and spread of each column. Shape (p,) each."""

    centre: Floats
    spread: Floats


@dataclass(frozen=True)
class ColumnScale:
    """Makes columns of features comparable: centred and levelled by a workshop's own, the missing ones at the centre.

    Attributes
    ----------
    names : tuple of str
        Columns read, of those that vary anywhere.
    flagged : array of bool, shape (p,)
        Those whose being missing is a column of its own.
    usual : Scale
        Over all worlds; of the columns, then of the flags.
    """

    names: tuple[str, ...]
    flagged: NDArray[np.bool_]
    usual: Scale

    @classmethod
    def learn(cls, X: pd.DataFrame) -> Self:
        """Learn which columns there are, and how they usually lie."""
        values = X.to_numpy(np.float64)
        known = ~np.isnan(values)
        spread = np.array([np.nanstd(v) if k.any() else 0.0 for v, k in zip(values.T, known.T, strict=True)])
        kept = spread > 1e-9
        share = 1.0 - known[:, kept].mean(axis=0)
        flagged = (share > 0.01) & (share < 0.99)
        names = tuple(np.array(X.columns, dtype=object)[kept].tolist())
        blank = cls(names, flagged, Scale(np.zeros(0), np.zeros(0)))
        return cls(names, flagged, _measured(blank._read(X)))

    @property
    def size(self) -> int:
        """Columns of the design."""
        return len(self.names) + int(self.flagged.sum())

    def of(self, X: pd.DataFrame, weights: Floats) -> Scale:
        """Return a workshop's own scale, drawn to the usual one as by `OWN_SCALE_ROWS` rows."""
        values = self._read(X)
        known = ~np.isnan(values)
        count = weights @ known
        mean = np.where(known, values, 0.0).T @ weights / np.maximum(count, 1e-9)
        square = np.where(known, (values - mean) ** 2, 0.0).T @ weights
        drawn = OWN_SCALE_ROWS / (count + OWN_SCALE_ROWS)
        centre = drawn * self.usual.centre + (1 - drawn) * mean
        variance = drawn * self.usual.spread**2 + square / (count + OWN_SCALE_ROWS)
        return Scale(centre, np.sqrt(variance))

    def apply(self, X: pd.DataFrame, scale: Scale) -> Floats:
        """Return the design, shape (n, p + flags)."""
        levelled = (self._read(X) - scale.centre) / scale.spread
        return np.asarray(np.nan_to_num(np.clip(levelled, -FURTHEST, FURTHEST)))

    def _read(self, X: pd.DataFrame) -> Floats:
        values = X.to_numpy(np.float64)[:, X.columns.get_indexer(pd.Index(self.names))]
        return np.hstack([values, np.isnan(values[:, self.flagged]).astype(np.float64)])


def _measured(values: Floats) -> Scale:
    return Scale(np.nanmean(values, axis=0), np.maximum(np.nanstd(values, axis=0), 1e-9))


@dataclass(frozen=True)
class WorldPrior:
    """The law from which worlds are drawn.

    Attributes
    ----------
    law : Normal
        Of the coefficients: level, shapes, departure early and late, then the columns.
    usual : array, shape (bins,)
        Usual logarithm of the cumulative hazard by the end of each bin, from which departures are counted.
    worlds : int
        Learned from so many.
    """

    law: Normal
    bounds: Bounds
    columns: ColumnScale
    usual: Floats
    worlds: int

    def terms(self, survival: Floats, X: pd.DataFrame, scale: Scale) -> CurveTerms:
        """Make ready curves and features, read on a workshop's own scale."""
        return curve_terms(survival, self.usual, self.columns.apply(X, scale))


def curve_terms(survival: Floats, usual: Floats, columns: Floats) -> CurveTerms:
    """Return the regression's terms: 1, `SHAPES` polynomials of log time, departure early and late."""
    log_total = log_totals(survival)
    departure = np.clip(log_total - usual, -FURTHEST, FURTHEST)
    day = np.log1p(DAYS[1:])
    tau = 2 * (day - day[0]) / (day[-1] - day[0]) - 1
    shapes = np.polynomial.legendre.legvander(tau, SHAPES)
    fixed = np.broadcast_to(shapes, (len(log_total), *shapes.shape))
    late = (1 + tau) / 2
    moving = np.stack([departure * (1 - late), departure * late], axis=2)
    return CurveTerms(log_total, np.concatenate([fixed, moving], axis=2), columns)


def log_totals(survival: Floats) -> Floats:
    """Return the logarithm of the cumulative hazard by the end of each bin, with room for `STRAYS`; shape (n, bins)."""
    mixed = (1 - STRAYS) * survival + STRAYS * (1 - DAYS / (2 * DAYS[-1]))
    return np.asarray(np.log(cumulative_hazards(np.minimum(mixed, 1.0), DAYS)))


def bounds_of(columns: ColumnScale, directions: Mapping[str | int, int]) -> Bounds:
    """Return bounds that keep directions and never turn the order of forecasts round.

    A column that can only bring the fault back sooner keeps a coefficient of that sign; a departure, early
    and late, goes on counting by `LEAST_SLOPE` at least.
    """
    k = SHAPES + 3
    low, high = np.full(k + columns.size, -np.inf), np.full(k + columns.size, np.inf)
    low[k - 2 : k] = LEAST_SLOPE - 1.0
    for j, name in enumerate(columns.names):
        if directions.get(name, 0) > 0:
            low[k + j] = 0.0
        elif directions.get(name, 0) < 0:
            high[k + j] = 0.0
    return Bounds(low, high)


def fit_world_prior(records: Sequence[WorldRecord], directions: Mapping[str | int, int]) -> WorldPrior:
    """Learn from worlds that the forecaster was not trained on how far it is off, and in which ways.

    Parameters
    ----------
    directions : mapping of column name to +1 or -1
        Columns of which more can only bring the fault back sooner, or later.

    Raises
    ------
    BadInput
        If there are fewer than two worlds.

    Notes
    -----
    Expectation and maximisation with each world's posterior approximated at its mode: the mean of the law is the mean
    of the modes, its covariance their scatter plus what each of them is unsure of. The terms in time vary together
    (a full covariance); the columns each have a variance of their own, found by MacKay's fixed point, which comes down
    to 0 in a few rounds where that sum would take hundreds.

    References
    ----------
    Laird & Ware (1982), Random-effects models for longitudinal data, Biometrics 38, 963-974, for the algorithm;
    MacKay (1992), Bayesian interpolation, Neural Computation 4, 415-447, for a variance of each column (both from
    memory, unverified).
    """
    if len(records) < 2:
        raise BadInput.one("records", f"holds {len(records)} worlds.", "Simulate at least two: they must differ.")
    columns = ColumnScale.learn(pd.concat([r.X for r in records], ignore_index=True))
    usual = np.mean([log_totals(r.survival).mean(axis=0) for r in records], axis=0)
    ready = [
        (curve_terms(r.survival, usual, columns.apply(r.X, columns.of(r.X, r.weights))), r.outcomes()) for r in records
    ]
    k, size = ready[0][0].in_time.shape[2], ready[0][0].size
    bounds = bounds_of(columns, directions)
    law = Normal(np.zeros(size), np.diag(np.concatenate([np.full(k, 0.25), np.full(size - k, 0.01)])))
    found: list[Normal] = []
    for _ in range(ROUNDS):
        starts = [f.mean for f in found] or [law.mean] * len(ready)
        found = [
            posterior(terms, seen, DAYS, law, bounds, s, ROUGHLY)
            for (terms, seen), s in zip(ready, starts, strict=True)
        ]
        law = _law_of(found, law, k)
    return WorldPrior(law, bounds, columns, usual, len(records))


def with_unforeseen(prior: WorldPrior) -> WorldPrior:
    """Return a prior of workshops rather than of simulated worlds: wider by `UNFORESEEN` in level, shape, departure."""
    wider = np.ones(len(prior.law.mean))
    wider[: SHAPES + 3] = UNFORESEEN
    return replace(prior, law=Normal(prior.law.mean, prior.law.covariance * np.outer(wider, wider)))


def _law_of(found: Sequence[Normal], before: Normal, k: int) -> Normal:
    means = np.stack([f.mean for f in found])
    mean = means.mean(axis=0)
    off = means - mean
    unsure = np.sum([f.covariance for f in found], axis=0)
    scatter = (off.T @ off + unsure) / len(found)
    # How many worlds have really told of each column: fewer, where records are small, than there are.
    told = np.maximum(len(found) - np.diag(unsure) / np.diag(before.covariance), 0.0)
    own = ((off**2).sum(axis=0) + VARIANCE_WORLDS * LEAST_VARIANCE) / (told + VARIANCE_WORLDS)
    covariance = np.diag(own)
    covariance[:k, :k] = scatter[:k, :k] + 1e-6 * np.eye(k)
    return Normal(mean, covariance)
