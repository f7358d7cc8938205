r"""How far the odds of kinds must be moved in a workshop: a normal law over workshops, narrowed by opened packs.

A classifier trained elsewhere gives log-probabilities l. In a workshop the odds are

.. math:: p_k \propto \exp(s\, l_k + b_k)

with a slope s, below 1 where the classifier is too sure, and offsets b, since no two places see the same shares of each
kind. Slope and offsets are drawn anew for each workshop; their law is learned from simulated worlds (expectation and
maximisation, each world's posterior approximated at its mode), and what is said is the mean over workshops still
possible. With one workshop and no offsets this is temperature scaling (Guo et al. 2017, ICML 70, 1321-1330).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import logsumexp, softmax

from models.base.arrays import Floats
from models.calibration.curve_regression import Normal

ROUNDS: Final = 20
"""Of expectation and maximisation."""

STEPS: Final = 50
"""Most Newton steps; five do."""

LEAST_SLOPE: Final = 0.05
"""Of a drawn workshop: the likelier kind stays the likelier one but for the offsets."""

LEAST_VARIANCE: Final = 1e-4
"""Of slope and offsets over worlds: a law stays a law where worlds are alike."""


@dataclass(frozen=True)
class OpenedPacks:
    """Packs of one workshop whose kind is known.

    Attributes
    ----------
    log_odds : array, shape (n, K)
        Logarithms of the classifier's probabilities.
    kind : int array, shape (n,)
    weights : array, shape (n,)
        Moments of one pack count as one together.
    """

    log_odds: Floats
    kind: NDArray[np.intp]
    weights: Floats


def learn_shift(opened: OpenedPacks, prior: Normal) -> Normal:
    """Return the law of slope and offsets given opened packs (Laplace).

    Parameters
    ----------
    prior : Normal
        Of the slope, then K offsets.
    """
    n, k = opened.log_odds.shape
    design = np.concatenate([opened.log_odds[:, :, None], np.broadcast_to(np.eye(k), (n, k, k))], axis=2)
    precision = cho_solve(cho_factor(prior.covariance), np.eye(k + 1))
    row = np.arange(n)

    def value(at: Floats) -> float:
        scores = design @ at
        gained = opened.weights @ (scores[row, opened.kind] - logsumexp(scores, axis=1))
        return float(gained - 0.5 * (at - prior.mean) @ precision @ (at - prior.mean))

    def bend(at: Floats) -> tuple[Floats, Floats]:
        share = softmax(design @ at, axis=1)
        mean = np.einsum("nk,nkq->nq", share, design)
        slope = opened.weights @ (design[row, opened.kind] - mean) - precision @ (at - prior.mean)
        square = np.einsum("n,nk,nkq,nkr->qr", opened.weights, share, design, design, optimize=True)
        return slope, square - (mean * opened.weights[:, None]).T @ mean + precision

    here = prior.mean
    for _ in range(STEPS):
        slope, curvature = bend(here)
        step = cho_solve(cho_factor(curvature), slope)
        size = 1.0
        while size > 1e-6 and value(here + size * step) < value(here):
            size /= 2
        here = here + size * step
        if np.abs(size * step).max() < 1e-6:
            break
    return Normal(here, cho_solve(cho_factor(bend(here)[1]), np.eye(k + 1)))


def fit_shift_law(worlds: Sequence[OpenedPacks]) -> Normal:
    """Learn from worlds that the classifier was not trained on how far its odds are off there.

    Parameters
    ----------
    worlds : sequence of OpenedPacks
        At least one.

    References
    ----------
    Laird & Ware (1982), Random-effects models for longitudinal data, Biometrics 38, 963-974 (from memory, unverified).
    """
    k = worlds[0].log_odds.shape[1]
    law = Normal(np.concatenate([[1.0], np.zeros(k)]), np.diag(np.concatenate([[0.1], np.full(k, 0.5)])))
    for _ in range(ROUNDS):
        found = [learn_shift(world, law) for world in worlds]
        mean = np.mean([f.mean for f in found], axis=0)
        off = np.stack([f.mean - mean for f in found])
        spread = (off.T @ off + np.sum([f.covariance for f in found], axis=0)) / len(found)
        law = Normal(mean, spread + LEAST_VARIANCE * np.eye(k + 1))
    return law


CHUNK_ROWS: Final = 512
"""Rows worked out at once: what is made of them in between stays small."""


def workshops_of(law: Normal) -> Floats:
    """Return workshops that stand for a law, shape (m, 1 + K): slope, then offsets."""
    draws = law.draws()
    draws[:, 0] = np.maximum(draws[:, 0], LEAST_SLOPE)
    return draws


def shifted(log_odds: Floats, workshops: Floats) -> Floats:
    """Return the probability of each kind, shape (n, K): the mean over workshops that are still possible."""
    found = np.empty_like(log_odds)
    for first in range(0, len(log_odds), CHUNK_ROWS):
        some = slice(first, first + CHUNK_ROWS)
        found[some] = softmax(workshops[:, None, :1] * log_odds[some] + workshops[:, None, 1:], axis=2).mean(axis=0)
    return found
