import numpy as np

from models.feature_codes import MAX_CODES, FeatureCodes


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
