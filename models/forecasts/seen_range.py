"""What a model has seen of each feature, and how values outside that are read."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, Self

import numpy as np
import pandas as pd

from models.base.arrays import Bools, Floats, Rows
from models.features.definitions import FEATURES
from models.features.derived import some_features

SLACK: Final = 0.1
"""Values up to this share of the training range beyond its ends still count as inside. Invented."""

FAR: Final = 1.0
"""Values further out than this many training ranges are read as unknown: nothing was learned of such. Invented."""

LAYOUT: Final = ("rated_ah", "blocks", "cells_per_block", "lithium", "limit_mv_per_cell")
"""Features that are the same for all packs of a family, and together tell families apart."""

_WATCHED: Final = tuple(f.name for f in FEATURES if f.watched)


@dataclass(frozen=True)
class SeenRange:
    """Range of each feature in training, for saying what lies outside it.

    Attributes
    ----------
    low, high : Series
        By feature name; the 0.05 and 99.95 % points, so that single freaks do not count.
    layouts : frozenset of tuple
        Of the families learned from: `LAYOUT`, in order.
    """

    low: pd.Series[float]
    high: pd.Series[float]
    layouts: frozenset[tuple[float, ...]]

    @classmethod
    def of(cls, X: pd.DataFrame) -> Self:
        """Learn the ranges."""
        part = X[list(_WATCHED)]
        return cls(part.quantile(0.0005), part.quantile(0.9995), frozenset(_layouts(X)))

    def new_family(self, X: pd.DataFrame) -> Bools:
        """Whether nothing was learned from packs of each row's layout. Shape (n,)."""
        rows = _layout_rows(X)
        new = np.ones(len(rows), dtype=np.bool_)
        for layout in self.layouts:
            new &= (rows != layout).any(axis=1)
        return new

    def distance(self, X: pd.DataFrame) -> pd.DataFrame:
        """How far each value lies outside, in training ranges: 0 inside (and where missing), shape (n, watched)."""
        return pd.DataFrame(self.beyond(X), index=X.index, columns=list(_WATCHED))

    @property
    def watched(self) -> tuple[str, ...]:
        """Names of the features that have a range."""
        return _WATCHED

    def beyond(self, X: pd.DataFrame) -> Floats:
        """Return what `distance` does, as an array."""
        # By arrays: for a single pack a table's own arithmetic takes longer than the whole forecast.
        values, (low, high) = some_features(X, _WATCHED), self._limits
        beyond = np.maximum(low - values, values - high) / np.maximum(high - low, 1e-9) - SLACK
        return np.asarray(np.where(beyond > 0.0, beyond, 0.0))

    @cached_property
    def _limits(self) -> tuple[Floats, Floats]:
        names = list(_WATCHED)
        return np.asarray(self.low.loc[names], dtype=np.float64), np.asarray(self.high.loc[names], dtype=np.float64)

    def __getstate__(self) -> dict[str, Any]:
        """Leave out what follows from the rest."""
        return {name: part for name, part in vars(self).items() if name != "_limits"}

    def outside(self, X: pd.DataFrame) -> Bools:
        """Whether any value of a row lies outside. Shape (n,)."""
        return np.asarray((self.beyond(X) > 0).any(axis=1))

    def readable(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return the table with values far outside read as unknown: NaN. Itself where there are none."""
        return self._unknown_beyond(X, FAR)

    def within(self, values: Floats, name: str) -> tuple[Rows, Floats]:
        """Find values of a feature outside its range, however little, and read them as the nearest one seen.

        Parameters
        ----------
        values : array, shape (n,)
        name : str
            Of a feature that is watched.

        Returns
        -------
        int array, shape (k,)
            Which lie outside.
        array, shape (n,)
        """
        held = np.clip(values, self.low[name], self.high[name])
        return np.flatnonzero(~np.isnan(values) & (held != values)), held

    def held(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return the table with values outside read as the nearest one seen."""
        part = X[list(_WATCHED)]
        outside = self.distance(X) > 0
        return X.assign(**part.mask(outside, part.clip(self.low, self.high, axis=1)))

    def without(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return the table with every value outside read as unknown."""
        return self._unknown_beyond(X, 0.0)

    def _unknown_beyond(self, X: pd.DataFrame, far: float) -> pd.DataFrame:
        beyond = self.beyond(X) > far
        return X.assign(**X[list(_WATCHED)].mask(beyond)) if beyond.any() else X


def _layouts(X: pd.DataFrame) -> list[tuple[float, ...]]:
    return list(map(tuple, _layout_rows(X).tolist()))


def _layout_rows(X: pd.DataFrame) -> Floats:
    return some_features(X, LAYOUT).round(6)
