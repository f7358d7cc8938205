"""Features made ready for a linear predictor: missing values filled and flagged, scales levelled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np

from models.base.arrays import Bools, Floats


@dataclass(frozen=True)
class LinearFeatures:
    """Centre by the median, divide by the standard deviation, flag what is missing, never extrapolate.

    A missing value is filled by the median and, if the column had gaps in training, flagged by a column of its own.
    Values beyond those seen in training are read as the nearest seen one, so that a linear predictor cannot run
    off where nothing is known.

    Attributes
    ----------
    centre, scale, low, high : array, shape (p,)
        Median, standard deviation, smallest and largest value of each column in training.
    flagged : array of bool, shape (p,)
        Columns with a missing-value flag.
    flag_share : array, shape (number of flags,)
        Share of training rows missing, taken off the flag so that an average row reads 0.
    """

    centre: Floats
    scale: Floats
    low: Floats
    high: Floats
    flagged: Bools
    flag_share: Floats

    @classmethod
    def learn(cls, X: Floats, weights: Floats) -> Self:
        """Take medians and scales from X, shape (n, p), with NaN for missing, and weights, shape (n,)."""
        columns = X.shape[1]
        centre, scale, low, high = np.zeros(columns), np.ones(columns), np.zeros(columns), np.zeros(columns)
        known = ~np.isnan(X) & (weights > 0)[:, None]
        for j in range(columns):
            if not known[:, j].any():
                continue
            x, w = X[known[:, j], j], weights[known[:, j]]
            order = np.argsort(x, kind="stable")
            total = np.cumsum(w[order])
            centre[j] = x[order][np.searchsorted(total, total[-1] / 2)]
            spread = np.sqrt(np.average((x - np.average(x, weights=w)) ** 2, weights=w))
            low[j], high[j] = x.min(), x.max()
            # A column that only rounding moves carries no information; dividing by its spread would invent some.
            if spread > 1e-9 * max(abs(low[j]), abs(high[j])):
                scale[j] = spread
        share = np.average(np.isnan(X), axis=0, weights=weights) if columns else np.zeros(0)
        flagged = (share > 0) & (share < 1)
        return cls(centre, scale, low, high, flagged, share[flagged])

    def apply(self, X: Floats) -> Floats:
        """Return the design, shape (n, p + number of flags), without a column of ones."""
        missing = np.isnan(X)
        filled = np.where(missing, self.centre, np.clip(X, self.low, self.high))
        return np.hstack([(filled - self.centre) / self.scale, missing[:, self.flagged] - self.flag_share])
