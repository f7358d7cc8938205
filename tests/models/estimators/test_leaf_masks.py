"""Trees read by masks against scikit-learn's own walk down the same trees, on rows with gaps and with ties."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor

from models.estimators.leaf_masks import LeafMasks, nodes_of


def _rows(rng: np.random.Generator, n: int) -> np.ndarray:
    X = np.column_stack([rng.normal(size=n), rng.integers(0, 5, n), rng.exponential(size=n), rng.normal(size=n)])
    X[rng.random(X.shape) < 0.2] = np.nan
    X[:, 3] = 7.0  # never split on
    return X


@pytest.mark.parametrize("leaves", [8, 16, 40, 64])
def test_the_leaf_is_the_one_that_scikit_learn_reaches(leaves):
    rng = np.random.default_rng(leaves)
    X = _rows(rng, 4000)
    y = np.nan_to_num(X[:, 0]) * np.nan_to_num(X[:, 1], nan=3.0) + np.isnan(X[:, 2]) + rng.normal(size=len(X))
    booster = HistGradientBoostingRegressor(max_iter=15, max_leaf_nodes=leaves, min_samples_leaf=5, random_state=0)
    booster.fit(X, y)
    masks = LeafMasks.of(nodes_of(booster), X.shape[1])
    new = _rows(rng, 3000)
    new[:50] = X[:50]
    new[50:60, 0] = [np.inf, -np.inf, 1e300, -1e300, 0.0, -0.0, 1e-300, np.nan, 5.0, -5.0]
    new[100:110, 0] = masks.thresholds[0][:10]  # on a threshold a row goes to its left
    reached = masks.reached(new)
    given = masks.given(reached, np.arange(len(masks.values)))
    told = booster._baseline_prediction.ravel()[0] + given.sum(axis=1)
    assert np.bitwise_count(reached & (~reached + 1)).min() == 1
    np.testing.assert_allclose(told, booster.predict(np.where(np.isinf(new), np.sign(new) * 1e308, new)), rtol=1e-12)


def test_classes_come_round_by_round():
    rng = np.random.default_rng(3)
    X = _rows(rng, 2000)
    kind = rng.integers(0, 3, len(X)) + (np.nan_to_num(X[:, 0]) > 1)
    booster = HistGradientBoostingClassifier(max_iter=6, max_leaf_nodes=15, random_state=0).fit(X, kind)
    masks = LeafMasks.of(nodes_of(booster), X.shape[1])
    each = masks.given(masks.reached(X), np.arange(len(masks.values))).reshape(len(X), 6, -1)
    np.testing.assert_allclose(
        each.sum(axis=1) + booster._baseline_prediction, booster.decision_function(X), rtol=1e-10, atol=1e-10
    )


def test_trees_too_broad_or_of_categories_are_refused():
    rng = np.random.default_rng(5)
    X = rng.normal(size=(3000, 2))
    broad = HistGradientBoostingRegressor(max_iter=1, max_leaf_nodes=65, min_samples_leaf=1).fit(X, X[:, 0] * X[:, 1])
    with pytest.raises(ValueError, match="at most 64"):
        LeafMasks.of(nodes_of(broad), 2)
    kinds = np.floor(4 * rng.random((500, 1)))
    parted = HistGradientBoostingRegressor(max_iter=1, categorical_features=[0]).fit(
        kinds, np.isin(kinds[:, 0], [0, 2])
    )
    with pytest.raises(ValueError, match="categories"):
        LeafMasks.of(nodes_of(parted), 1)
