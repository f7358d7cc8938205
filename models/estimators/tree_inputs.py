"""Features as ranks among quantiles: what trees need of them, found once for each pack instead of for each period."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from models.base.arrays import Floats

MAX_CODES: Final = 250
"""Codes of a feature; scikit-learn's histogram trees tell at most 255 values apart."""

RARE_SHARE: Final = 0.001
"""A feature known in fewer rows than this share tells trees nothing and is left out of them."""


@dataclass(frozen=True)
class FeatureCodes:
    """Edges between the codes of each feature.

    Trees on person-periods see each pack many times over, with weights; left to themselves they would search weighted
    quantiles among all these rows, which takes longer than growing the trees. Coded features have few enough distinct
    values that no search is needed. Codes rise with the feature, so constraints on the direction keep their meaning,
    and missing stays missing.

    Attributes
    ----------
    edges : tuple of array
        For each feature, increasing.
    """

    edges: tuple[Floats, ...]

    @classmethod
    def learn(cls, X: Floats, weights: Floats) -> Self:
        """Take the edges from X, shape (n, p), with NaN for missing, and weights, shape (n,)."""
        return cls(tuple(_edges(X[:, j], weights) for j in range(X.shape[1])))

    def apply(self, X: Floats) -> Floats:
        """Return the codes as floats, NaN for missing, shape of X."""
        codes = np.empty_like(X)
        for j, edges in enumerate(self.edges):
            codes[:, j] = np.searchsorted(edges, X[:, j], side="left")
        codes[np.isnan(X)] = np.nan
        return codes

    def value_below(self, feature: int, code: float) -> float:
        """Return up to which value a feature's code stays at or below one; infinite if all do."""
        edges, place = self.edges[feature], int(np.floor(code)) if np.isfinite(code) else len(self.edges[feature])
        return float(edges[place]) if place < len(edges) else np.inf


def fit_for_trees(rows: Floats) -> Floats:
    """Return rows to learn from with the features that are all but never known held constant.

    scikit-learn's trees fail on a feature with no known value among the (up to 200,000) rows they draw for binning.
    """
    rare = np.mean(~np.isnan(rows), axis=0) < RARE_SHARE
    return np.where(rare, 0.0, rows)


def _edges(column: Floats, weights: Floats) -> Floats:
    known = ~np.isnan(column) & (weights > 0)
    values = np.unique(column[known])
    if len(values) <= MAX_CODES:
        return np.asarray((values[:-1] + values[1:]) / 2)
    shares = np.linspace(0, 1, MAX_CODES + 1)[1:-1]
    return np.unique(np.quantile(column[known], shares, method="inverted_cdf", weights=weights[known]))
