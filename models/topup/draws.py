"""Even draws, and the weights that they carry.

An even set of points (a Sobol sequence) gives the same answer to the same readings. Each is weighed by what it explains
over how often it is drawn (Robert & Casella, Monte Carlo Statistical Methods, importance sampling; from memory,
unverified).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from scipy.special import ndtri
from scipy.stats.qmc import Sobol

from models.base.arrays import Floats

OUTLIER_SHARE: Final = 0.03
"""Share of readings that say nothing: a stuck channel, swapped leads, a slip of the pen. Invented."""

LEAST_CARRYING: Final = 64
TEMPERING: Final = (1.0, 0.7, 0.5, 0.35, 0.25, 0.18, 0.12)
"""A draw-down is a sharp reading: where fewer possible packs than this would carry its weight (Kish's effective sample
size), its likelihood counts by the first of these powers with which more do. Our choice."""

_COLUMNS: Final = 46
"""Quantities drawn for each; the last is the error of the charge that is looked back on."""


@lru_cache(maxsize=2)
def even(exponent: int) -> Floats:
    """Evenly spread points of the open unit cube, shape (2 ** exponent, _COLUMNS). Read-only."""
    points = Sobol(_COLUMNS, scramble=False).random_base2(exponent)
    spread = np.asarray((points + 0.5 / len(points)) % 1.0)
    spread.flags.writeable = False
    return spread


class Draws:
    """Deals out the columns of the even points, one quantity after another."""

    def __init__(self, exponent: int) -> None:
        self._points, self._next = even(exponent), 0

    def uniform(self, low: float = 0.0, high: float = 1.0) -> Floats:
        """Deal out the next column, spread evenly. Shape (n,)."""
        self._next += 1
        return low + (high - low) * self._points[:, self._next - 1]

    def normal(self, mean: float | Floats = 0.0, sd: float = 1.0) -> Floats:
        """Deal out the next column, normally distributed. Shape (n,)."""
        return np.asarray(mean + sd * ndtri(self.uniform()))

    def factor(self, sd: float) -> Floats:
        """Deal out the next column as factors whose logarithm is normal around 0. Shape (n,)."""
        return np.asarray(np.exp(sd * ndtri(self.uniform())))


def last_z(count: int) -> Floats:
    """Return the last column of ``count`` even points as standard normal deviates: the error of a charge."""
    return np.asarray(ndtri(even(count.bit_length() - 1)[:, -1]))


def log_normal(z: Floats, sd: Floats | float) -> Floats:
    """Return the log density of a normal deviate. Shape (n,)."""
    return np.asarray(-0.5 * (z / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi)))


def log_near(found: Floats | float, expected: Floats, sd: Floats | float, cells: int) -> Floats:
    """Log likelihood of a deviation: normal, with a few readings that say nothing (within two volts a cell)."""
    normal = log_normal(found - expected, sd)
    return np.asarray(np.logaddexp(np.log1p(-OUTLIER_SHARE) + normal, np.log(OUTLIER_SHARE / (2.0 * cells))))


def normalised(log_weight: Floats) -> Floats:
    """Return weights that sum to 1 from their logarithms. Shape (n,)."""
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def tempered(log_weight: Floats, log_likely: Floats) -> Floats:
    """Add a log likelihood to weights, or as much of it as leaves enough packs to carry them."""
    enough = min(LEAST_CARRYING, carrying(normalised(log_weight)))
    for power in TEMPERING:
        if carrying(normalised(log_weight + power * log_likely)) >= enough:
            return np.asarray(log_weight + power * log_likely)
    return log_weight


def carrying(weight: Floats) -> float:
    """Return Kish's effective sample size."""
    return float(1.0 / np.square(weight).sum())
