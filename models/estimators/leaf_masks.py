"""Trees read by columns: which leaf a row reaches, found by ruling out leaves, one feature at a time.

A split that sends a row to its right rules out the leaves on its left, and the other way round. For one feature of one
tree the leaves left over depend only on between which of the tree's thresholds the value lies: a small table, made
once. A row's leaf is the one that all features leave over. So a batch takes one look-up and one bitwise AND for each
feature, for all trees at once, instead of a walk down each tree for each row.

References
----------
Lucchese, Nardini, Orlando, Perego, Tonellotto & Venturini (2015), QuickScorer: a fast algorithm to rank documents with
additive ensembles of regression trees, SIGIR 2015, 73-82 (from memory, unverified), for leaves as bits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Floats, Rows

MOST_LEAVES: Final = 64
"""Of a tree: the bits of the widest whole number."""

Masks = NDArray[np.unsignedinteger[Any]]
Nodes = NDArray[np.void]
"""Nodes of one tree as scikit-learn's histogram trees keep them, the root first."""


def nodes_of(booster: Any) -> list[Nodes]:
    """Return the trees of a fitted scikit-learn histogram booster: round by round, in each round class by class."""
    return [tree.nodes for grown in booster._predictors for tree in grown]


@dataclass(frozen=True)
class LeafMasks:
    """Trees made ready.

    Attributes
    ----------
    thresholds : tuple of array
        Of each feature, increasing: a split sends values up to its threshold to the left.
    left_over : tuple of array, shape (len(thresholds) + 2, trees) each
        Leaves left over where so many thresholds lie below the value; in the last row, where it is missing.
    values : array, shape (trees, leaves)
        What each leaf gives.
    """

    thresholds: tuple[Floats, ...]
    left_over: tuple[Masks, ...]
    values: Floats

    @classmethod
    def of(
        cls, trees: Sequence[Nodes], features: int, threshold_of: Callable[[int, float], float] = lambda _, at: at
    ) -> Self:
        """Make trees ready.

        Parameters
        ----------
        features : int
            Columns that the trees were grown on.
        threshold_of : callable
            Turns a column's number and a threshold into one on the values that will be read.

        Raises
        ------
        ValueError
            If a tree has more than `MOST_LEAVES` leaves, or splits on categories.
        """
        splits = [_splits_of(nodes) for nodes in trees]
        most = max((len(leaves) for leaves, _ in splits), default=1)
        if most > MOST_LEAVES:
            raise ValueError(f"a tree has {most} leaves; at most {MOST_LEAVES} can be read")
        kind = np.uint16 if most <= 16 else np.uint64
        every = int(np.iinfo(kind).max)
        values = np.zeros((len(trees), most))
        found: list[list[tuple[int, _Split, float]]] = [[] for _ in range(features)]
        for number, (leaves, parted) in enumerate(splits):
            values[number, : len(leaves)] = leaves
            for split in parted:
                found[split.feature].append((number, split, threshold_of(split.feature, split.threshold)))
        thresholds, left_over = [], []
        for one in found:
            edges = np.unique([at for *_, at in one]).astype(np.float64)
            places = {float(edge): place for place, edge in enumerate(edges)}
            table = np.full((len(edges) + 2, len(trees)), every, dtype=kind)
            for number, split, at in one:
                place = places[at]
                table[: place + 1, number] &= kind(~split.right & every)
                table[place + 1 : -1, number] &= kind(~split.left & every)
                gone = split.right if split.missing_left else split.left
                table[-1, number] &= kind(~gone & every)
            thresholds.append(edges)
            left_over.append(table)
        return cls(tuple(thresholds), tuple(left_over), values)

    def code(self, feature: int, values: Floats) -> Rows:
        """Return the row of ``left_over[feature]`` for each value."""
        edges = self.thresholds[feature]
        codes = np.searchsorted(edges, values, side="left")
        codes[np.isnan(values)] = len(edges) + 1
        return codes

    def reached(self, X: Floats) -> Masks:
        """Return the leaves that the first columns leave over, shape (n, trees): one, if those are all columns.

        Parameters
        ----------
        X : array, shape (n, k)
            NaN for missing.
        """
        shape, kind = (len(X), len(self.values)), self.left_over[0].dtype
        masks, some = np.full(shape, np.iinfo(kind).max, dtype=kind), np.empty(shape, dtype=kind)
        for feature in range(X.shape[1]):
            if len(self.thresholds[feature]):
                np.take(self.left_over[feature], self.code(feature, X[:, feature]), axis=0, out=some)
                masks &= some
        return masks

    def given(self, masks: Masks, trees: Rows) -> Floats:
        """Return what the leaves left over give, shape of `masks`, whose columns are of these trees."""
        place = np.bitwise_count((masks & (~masks + masks.dtype.type(1))) - masks.dtype.type(1))
        return np.asarray(self.values.ravel()[place + trees * self.values.shape[1]])


@dataclass(frozen=True)
class _Split:
    feature: int
    threshold: float
    missing_left: bool
    left: int
    right: int
    """Leaves on either side, as bits."""


def _splits_of(nodes: Nodes) -> tuple[list[float], list[_Split]]:
    """Return the leaves of one tree from left to right, and its splits."""
    if nodes["is_categorical"].any():
        raise ValueError("splits on categories cannot be read")
    leaves: list[float] = []
    splits: list[_Split] = []

    def below(number: int) -> int:
        node = nodes[number]
        if node["is_leaf"]:
            leaves.append(float(node["value"]))
            return 1 << (len(leaves) - 1)
        left, right = below(int(node["left"])), below(int(node["right"]))
        splits.append(
            _Split(
                int(node["feature_idx"]), float(node["num_threshold"]), bool(node["missing_go_to_left"]), left, right
            )
        )
        return left | right

    below(0)
    return leaves, splits
