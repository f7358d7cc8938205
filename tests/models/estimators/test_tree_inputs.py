import numpy as np

from models.estimators.tree_inputs import MAX_CODES, FeatureCodes, fit_for_trees


def test_codes_rise_with_the_feature_and_keep_gaps():
    rng = np.random.default_rng(0)
    X = np.column_stack([rng.normal(size=5000), rng.integers(0, 3, 5000), np.full(5000, 7.0), np.full(5000, np.nan)])
    X[::11, 0] = np.nan
    codes = FeatureCodes.learn(X, np.ones(5000)).apply(X)
    np.testing.assert_array_equal(np.isnan(codes), np.isnan(X))
    known = ~np.isnan(X[:, 0])
    assert np.all(np.diff(codes[known, 0][np.argsort(X[known, 0])]) >= 0)
    np.testing.assert_array_equal(codes[:, 1], X[:, 1])
    assert np.all(codes[:, 2] == 0)
    counts = np.unique(codes[known, 0], return_counts=True)[1]
    assert len(counts) == MAX_CODES
    assert counts.max() <= 2 * counts.mean()


def test_weights_are_repeats_and_values_outside_go_to_the_ends():
    rng = np.random.default_rng(1)
    X, weights = rng.normal(size=(3000, 1)), rng.integers(0, 4, 3000).astype(float)
    weighted = FeatureCodes.learn(X, weights)
    repeated = FeatureCodes.learn(np.repeat(X, weights.astype(int), axis=0), np.ones(int(weights.sum())))
    np.testing.assert_allclose(weighted.edges[0], repeated.edges[0])
    ends = weighted.apply(np.array([[-1e9], [1e9]]))[:, 0]
    assert ends[0] == 0
    assert ends[1] == len(weighted.edges[0])


def test_features_all_but_never_known_are_held_constant():
    rows = np.full((3000, 3), np.nan)
    rows[:, 0], rows[:2, 1], rows[:5, 2] = 1.0, 1.0, 1.0
    fit = fit_for_trees(rows)
    assert np.all(fit[:, 1] == 0)
    np.testing.assert_array_equal(np.isnan(fit[:, [0, 2]]), np.isnan(rows[:, [0, 2]]))
