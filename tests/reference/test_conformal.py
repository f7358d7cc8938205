"""The split-conformal rank: Candès, Lei & Ren (2023), JRSS B 85(1), 24-45, and Vovk et al. (2005) before them."""

import numpy as np
import pytest

from models.calibration.conformal import ConformalBound

GRID = np.arange(0.0, 101.0)


@pytest.mark.parametrize(("n", "confidence", "rank"), [(99, 0.9, 90), (99, 0.95, 95), (199, 0.9, 180), (50, 0.9, 46)])
def test_without_censoring_the_level_is_the_split_conformal_rank(n, confidence, rank):
    # n = 99, α = 0.1 → the 90th smallest score: ⌈(n + 1)(1 − α)⌉. The score is large for a pack that failed early:
    # the share of its curve it had left, S(T).
    rng = np.random.default_rng(n)
    rate = np.exp(rng.normal(size=n)) / 30
    time = np.minimum(rng.exponential(1 / rate), 99.0)
    left = np.exp(-rate * time)
    conformal = ConformalBound(days=GRID).fit(np.exp(-np.outer(rate, GRID)), time, np.ones(n, dtype=bool))
    # A new pack with exponential curve: S(bound) must be that score.
    bound = conformal.bound(np.exp(-GRID / 20)[None, :], confidence)[0]
    assert np.exp(-bound / 20) == pytest.approx(np.sort(left)[rank - 1], rel=1e-9)


def test_more_confidence_than_the_record_can_carry_gives_day_zero():
    n = 99
    curves = np.tile(np.exp(-GRID / 30), (n, 1))
    time = np.random.default_rng(0).exponential(30, n)
    conformal = ConformalBound(days=GRID).fit(curves, np.minimum(time, 99), np.ones(n, dtype=bool))
    assert conformal.bound(curves[:1], 0.99)[0] > 0  # the smallest of 99
    assert conformal.bound(curves[:1], 0.995)[0] == 0
