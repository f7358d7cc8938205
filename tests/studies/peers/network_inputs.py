"""Features as a neural network reads them: on one scale, bounded, with a mark where the value is missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from models.base.arrays import Floats

KNOTS: Final = 99
"""Quantiles of a feature between which its normal score is interpolated."""

FEW_VALUES: Final = 8
"""A feature of at most so many values is only shifted and scaled."""

REACH: Final = 4.0
"""Standard deviations past which a scaled value is cut off: what lies further out reads like the last seen."""


@dataclass(frozen=True)
class NetworkInputs:
    """How each feature of a table becomes one to three inputs.

    A feature becomes its normal score (which spreads values evenly, so that no outlier rules), the value itself in
    robust standard deviations from the median (which keeps distances), and, where it was ever missing, 1 if it is. All
    but the last rise with the feature; a missing one reads 0. Of a feature that never varies only that mark is left.

    Attributes
    ----------
    knots, scores : tuple of array
        For each feature, its distinct quantiles and their normal scores; empty if it has few values.
    middle, spread : array, shape (p,)
        Spread is 0 for a feature that never varies.
    gaps : bool array, shape (p,)
    """

    knots: tuple[Floats, ...]
    scores: tuple[Floats, ...]
    middle: Floats
    spread: Floats
    gaps: NDArray[np.bool_]

    @classmethod
    def learn(cls, X: Floats, weights: Floats) -> Self:
        """Take the scales from X, shape (n, p), with NaN for missing, and weights, shape (n,)."""
        width = X.shape[1]
        knots, scores = [np.empty(0)] * width, [np.empty(0)] * width
        middle, spread = np.zeros(width), np.zeros(width)
        for j in range(width):
            known = ~np.isnan(X[:, j]) & (weights > 0)
            value, weight = X[known, j], weights[known]
            distinct = np.unique(value)
            if len(distinct) < 2:
                continue
            if len(distinct) <= FEW_VALUES:
                middle[j] = np.average(value, weights=weight)
                spread[j] = np.sqrt(np.average((value - middle[j]) ** 2, weights=weight))
                continue
            share = np.arange(1, KNOTS + 1) / (KNOTS + 1)
            edge = np.quantile(value, share, method="inverted_cdf", weights=weight)
            middle[j] = edge[KNOTS // 2]
            spread[j] = (edge[-10] - edge[9]) / (2 * ndtri(0.9)) or float(np.std(value))
            first = np.r_[True, np.diff(edge) > 0]
            start = np.flatnonzero(first)
            # Of equal quantiles the middle one speaks.
            knots[j], scores[j] = edge[first], ndtri(np.add.reduceat(share, start) / np.diff(np.r_[start, KNOTS]))
        return cls(tuple(knots), tuple(scores), middle, spread, np.asarray(np.isnan(X).any(axis=0)))

    def source(self) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
        """Return for each input the feature it comes from, and whether it rises with it; shape (inputs,) each."""
        column, rises = [], []
        for j, knots in enumerate(self.knots):
            values = int(self.spread[j] > 0) + int(len(knots) > 0)
            column += [j] * (values + int(self.gaps[j]))
            rises += [True] * values + [False] * int(self.gaps[j])
        return np.array(column, dtype=np.intp), np.array(rises, dtype=np.bool_)

    def apply(self, X: Floats) -> Floats:
        """Return the inputs, shape (n, inputs)."""
        parts = []
        for j, knots in enumerate(self.knots):
            value = X[:, j]
            missing = np.isnan(value)
            if len(knots):
                parts.append(np.where(missing, 0.0, np.interp(value, knots, self.scores[j])))
            if self.spread[j] > 0:
                scaled = np.clip((value - self.middle[j]) / self.spread[j], -REACH, REACH)
                parts.append(np.where(missing, 0.0, scaled))
            if self.gaps[j]:
                parts.append(missing.astype(np.float64))
        return np.column_stack(parts) if parts else np.empty((len(X), 0))
