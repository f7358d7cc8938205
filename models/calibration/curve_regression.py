r"""A regression on top of given hold curves: what moves them, with a normal prior and bounds, and how sure that is.

The logarithm of the cumulative hazard of row i by the end of bin j is the given one plus a linear predictor,

.. math:: \log H_{ij} = \log H^0_{ij} + T_{ij}^\top a + Z_i^\top c

with terms T that may change from bin to bin (level, shape in time, how far the given curve lies from the usual one) and
columns Z that do not. A return in bin j has the probability exp(−H before) − exp(−H after): what a day grid keeps, with
late entry and with censoring within a bin. It is the probability of an interval under a log-concave law, and so concave
in a and c (Prékopa 1973, Acta Scientiarum Mathematicarum 34, 335-343; from memory, unverified).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import ndtri
from scipy.stats import qmc

from models.base.arrays import Floats
from models.survival.estimator import Outcomes
from models.survival.person_periods import bins_of

STEPS: Final = 100
"""Most Newton steps; ten do."""

TOLERANCE: Final = 1e-7
"""Nats."""

LARGEST: Final = 30.0
"""Logarithms of a hazard are held to plus and minus this, so that an absurd trial step stays finite."""

DRAWS: Final = 64
"""Coefficients drawn from a law, evenly spread: a power of two, as the sequence asks."""


@dataclass(frozen=True)
class CurveTerms:
    """Rows ready for the regression.

    Attributes
    ----------
    log_total : array, shape (n, bins)
        Logarithm of the given cumulative hazard by the end of each bin.
    in_time : array, shape (n, bins, k)
        T.
    columns : array, shape (n, p)
        Z.
    """

    log_total: Floats
    in_time: Floats
    columns: Floats

    @property
    def size(self) -> int:
        """Number of coefficients: those of T, then those of Z."""
        return int(self.in_time.shape[2] + self.columns.shape[1])

    def moved(self, coefficients: Floats) -> Floats:
        """Return the logarithm of the moved cumulative hazard, shape (n, bins)."""
        k = self.in_time.shape[2]
        total = self.log_total + self.in_time @ coefficients[:k] + (self.columns @ coefficients[k:])[:, None]
        return np.asarray(np.clip(total, -LARGEST, LARGEST))

    def moved_by_each(self, coefficients: Floats) -> Floats:
        """Return the same for each of w rows of coefficients, shape (n, bins, w)."""
        k = self.in_time.shape[2]
        total = (self.in_time.reshape(-1, k) @ coefficients[:, :k].T).reshape(*self.log_total.shape, len(coefficients))
        total += self.log_total[:, :, None]
        total += (self.columns @ coefficients[:, k:].T)[:, None, :]
        return np.asarray(np.clip(total, -LARGEST, LARGEST, out=total))

    def design(self, bins: NDArray[np.intp]) -> Floats:
        """Return the design of each row at the end of one bin of its own, shape (n, k + p)."""
        return np.hstack([self.in_time[np.arange(len(bins)), bins], self.columns])


@dataclass(frozen=True)
class Bounds:
    """Least and largest value of each coefficient; infinite where there is none. Shape (q,) each."""

    low: Floats
    high: Floats

    def hold(self, coefficients: Floats) -> Floats:
        """Return the nearest coefficients within."""
        return np.asarray(np.clip(coefficients, self.low, self.high))


@dataclass(frozen=True)
class Normal:
    """A multivariate normal law of the coefficients.

    Attributes
    ----------
    mean : array, shape (q,)
    covariance : array, shape (q, q)
    """

    mean: Floats
    covariance: Floats

    def draws(self) -> Floats:
        """Return `DRAWS` coefficients that stand for the law, always the same, in pairs about the mean; (DRAWS, q)."""
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        # The direction that varies most comes first, where the sequence is most even.
        even = qmc.Sobol(len(self.mean), seed=0).random(DRAWS // 2)
        half = ndtri(np.clip(even, 1e-6, 1 - 1e-6)) @ root[:, ::-1].T
        half *= np.sqrt(np.trace(self.covariance) / max(float((half**2).mean(axis=0).sum()), 1e-300))
        return np.asarray(self.mean + np.concatenate([half, -half]))


@dataclass(frozen=True)
class _Points:
    """What the likelihood needs of each row: its design before and at its own bin, of late ones at their entry's."""

    before: Floats
    after: Floats
    into: Floats
    out_of: Floats
    offsets: tuple[Floats, Floats, Floats, Floats]
    late: NDArray[np.bool_]
    passed: Floats
    missed: Floats
    event: NDArray[np.bool_]
    weights: Floats

    @classmethod
    def of(cls, terms: CurveTerms, seen: Outcomes, grid: Floats) -> _Points:
        ends, starts = bins_of(grid, seen.time), bins_of(grid, seen.entry)
        width, row = np.diff(grid), np.arange(len(ends))
        places = (ends - 1, ends, starts - 1, starts)
        designs = [terms.design(np.maximum(p, 0)) for p in places]
        offsets = [np.where(p < 0, -np.inf, terms.log_total[row, np.maximum(p, 0)]) for p in places]
        passed = (seen.time - grid[ends]) / width[ends]
        missed = (seen.entry - grid[starts]) / width[starts]
        late = seen.entry > 0
        before, after, into, out_of = designs
        four = (offsets[0], offsets[1], offsets[2], offsets[3])
        return cls(before, after, into[late], out_of[late], four, late, passed, missed, seen.event, seen.weights)

    def of_coefficients(self, coefficients: Floats) -> tuple[float, Floats, Floats]:
        """Log-likelihood, its slope, and minus its curvature (without that of late entry, which is the other way)."""
        b, a = (
            np.exp(np.minimum(off + design @ coefficients, LARGEST))
            for off, design in zip(self.offsets[:2], (self.before, self.after), strict=True)
        )
        late, i, o = self.late, np.zeros(len(b)), np.zeros(len(b))
        i[late], o[late] = (
            np.exp(np.minimum(off[late] + design @ coefficients, LARGEST))
            for off, design in zip(self.offsets[2:], (self.into, self.out_of), strict=True)
        )
        gained = a - b
        if np.any(gained[self.event] <= 0):
            return -np.inf, np.empty(0), np.empty((0, 0))
        safe = np.clip(np.where(self.event, gained, 1.0), 1e-12, 500.0)
        odds = 1.0 / np.expm1(safe)
        part = self.passed
        value = np.where(self.event, np.log(-np.expm1(-safe)) - b, -(1 - part) * b - part * a)
        value = value + (1 - self.missed) * i + self.missed * o
        # In the after-point's design and its step from the before-point's: no large terms then cancel.
        w, across = self.weights, self.after - self.before
        lived = np.where(self.event, b, (1 - part) * b)
        cut_off = np.where(self.event, 0.0, part * a)
        rate = np.where(self.event, odds * safe, 0.0)
        pace = np.where(self.event, odds * b, 0.0)
        left = safe + rate - 1.0
        slope = (w * (rate - cut_off)) @ self.after + (w * pace) @ across - (w * lived) @ self.before
        slope = slope + (w * (1 - self.missed) * i)[late] @ self.into + (w * self.missed * o)[late] @ self.out_of
        mixed = (self.after * (w * pace * left)[:, None]).T @ across
        bend = (self.after * (w * (rate * left + cut_off))[:, None]).T @ self.after + mixed + mixed.T
        bend += (across * (w * pace * (b * (1 + odds) + 1.0))[:, None]).T @ across
        bend += (self.before * (w * lived)[:, None]).T @ self.before
        return float(w @ value), slope, bend


def posterior(
    terms: CurveTerms,
    outcomes: Outcomes,
    grid: Floats,
    prior: Normal,
    bounds: Bounds,
    start: Floats | None = None,
    tolerance: float = TOLERANCE,
) -> Normal:
    """Return the normal approximation of the posterior at its mode (Laplace).

    Parameters
    ----------
    terms : CurveTerms
        n rows.
    outcomes : Outcomes
        What became of them, to the last grid day; weights count as so many rows.
    grid : array, shape (bins + 1,)
        Days.
    bounds : Bounds
        A coefficient that would lie beyond stays at its bound, without variance.
    start : array, shape (q,), optional
        Where to begin the search; the prior's mean if left out.
    tolerance : float
        Gain of a step, nats, below which the search ends.
    """
    points = _Points.of(terms, outcomes, grid)
    precision = cho_solve(cho_factor(prior.covariance), np.eye(terms.size))

    def of(coefficients: Floats) -> tuple[float, Floats, Floats]:
        value, slope, bend = points.of_coefficients(coefficients)
        pulled = precision @ (coefficients - prior.mean)
        if not len(slope):
            return value, slope, bend
        return float(value - 0.5 * (coefficients - prior.mean) @ pulled), slope - pulled, bend + precision

    here = bounds.hold(prior.mean if start is None else start)
    value, slope, bend = of(here)
    if not np.isfinite(value):  # a start at which the curves would rise somewhere
        here = bounds.hold(np.zeros(terms.size))
        value, slope, bend = of(here)
    for _ in range(STEPS):
        free = ~(((here <= bounds.low) & (slope < 0)) | ((here >= bounds.high) & (slope > 0)))
        step = np.zeros(terms.size)
        step[free] = cho_solve(cho_factor(bend[np.ix_(free, free)]), slope[free])
        share = 1.0
        while share > 1e-6:
            there = bounds.hold(here + share * step)
            then = of(there)
            if then[0] >= value:
                break
            share /= 2
        else:
            break
        gained = then[0] - value
        here, (value, slope, bend) = there, then
        if gained < tolerance:
            break
    free = ~(((here <= bounds.low) & (slope < 0)) | ((here >= bounds.high) & (slope > 0)))
    covariance = np.zeros((terms.size, terms.size))
    covariance[np.ix_(free, free)] = cho_solve(cho_factor(bend[np.ix_(free, free)]), np.eye(int(free.sum())))
    return Normal(here, covariance)
