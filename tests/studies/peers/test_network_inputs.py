import warnings

import numpy as np
import pytest
from scipy.stats import norm
from sklearn.preprocessing import QuantileTransformer

from tests.studies.peers.network_inputs import KNOTS, REACH, NetworkInputs


def test_normal_scores_agree_with_a_quantile_transformer():
    # Reference: scikit-learn's QuantileTransformer, through as many quantiles.
    rng = np.random.default_rng(0)
    X = rng.gamma(2.0, size=(20_000, 1))
    score = NetworkInputs.learn(X, np.ones(len(X))).apply(X)[:, 0]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = QuantileTransformer(n_quantiles=1001, output_distribution="normal", subsample=None).fit_transform(X)[
            :, 0
        ]
    inside = np.abs(other) < norm.ppf(KNOTS / (KNOTS + 1))
    np.testing.assert_allclose(score[inside], other[inside], atol=0.05)


def test_missing_values_read_as_the_middle_and_are_marked():
    X = np.array([[np.nan], [1.0], [2.0], [3.0]])
    read = NetworkInputs.learn(X, np.ones(4)).apply(X)
    assert read[0].tolist() == [0.0, 1.0]
    np.testing.assert_allclose(read[1:, 0], [-(1.5**0.5), 0, 1.5**0.5])
    assert not read[1:, 1].any()


@pytest.mark.parametrize(
    "values", [np.linspace(-1, 1, 5), np.linspace(0, 9, 500), np.r_[np.zeros(400), 1.0 + np.arange(99)]]
)
def test_inputs_rise_with_their_feature_and_are_bounded(values):
    rng = np.random.default_rng(1)
    inputs = NetworkInputs.learn(rng.choice(values, (3000, 1)), np.ones(3000))
    swept = np.linspace(-1e6, 1e6, 5001)[:, None] if len(values) == 5 else np.linspace(-50, 200, 5001)[:, None]
    read = inputs.apply(swept)
    assert np.all(np.diff(read, axis=0) >= 0)
    assert np.all(np.abs(read) <= REACH)
    column, rises = inputs.source()
    assert column.tolist() == [0] * read.shape[1]
    assert rises.all()


def test_a_feature_that_never_varies_or_is_never_known_says_nothing():
    X = np.column_stack([np.full(5, 3.0), np.full(5, np.nan), np.arange(5.0)])
    inputs = NetworkInputs.learn(X, np.ones(5))
    column, rises = inputs.source()
    assert column.tolist() == [1, 2]
    assert rises.tolist() == [False, True]
    assert inputs.apply(np.array([[7.0, 1.0, 2.0]])).tolist() == [[0.0, 0.0]]


def test_weights_count_like_repeats():
    rng = np.random.default_rng(2)
    X, weights = rng.normal(size=(400, 2)), rng.integers(1, 4, 400)
    weighted = NetworkInputs.learn(X, weights.astype(float)).apply(X)
    np.testing.assert_allclose(
        weighted, NetworkInputs.learn(np.repeat(X, weights, axis=0), np.ones(weights.sum())).apply(X)
    )
