"""How far a record carries: exact limits, packs that were watched, packs unlike all of them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, binomtest

from models.base.day_grid import DAYS
from models.calibration.record_reach import KNOTS, RETURNS_ACROSS_FAMILIES, RecordReach, limits, watched_packs
from models.calibration.world_prior import Scale, WorldRecord


def record_of(time, event, X=None):
    n = len(time)
    X = pd.DataFrame({"volts": np.zeros(n)}) if X is None else X
    return WorldRecord(np.ones((n, len(DAYS))), X, np.asarray(time, float), np.asarray(event, bool), np.ones(n))


@pytest.mark.parametrize(("held", "packs"), [(0, 12), (59, 60), (60, 60), (18, 25), (370, 400)])
def test_limits_are_the_exact_ones_of_a_share(held, packs):
    """Against scipy's Clopper-Pearson interval, and the binomial law itself: one in twenty lies past either end."""
    low, high = (float(end) for end in limits(np.array(held / packs), np.array(float(packs))))
    exact = binomtest(held, packs).proportion_ci(0.9, method="exact")
    assert (low, high) == pytest.approx((exact.low, exact.high), abs=1e-9)
    if 0 < held < packs:
        assert binom.sf(held - 1, packs, low) == pytest.approx(0.05)
        assert binom.cdf(held, packs, high) == pytest.approx(0.05)


def test_without_a_return_the_limit_is_the_rule_of_three():
    """Hanley & Lippman-Hand (1983), JAMA 249, 1743-1745: none among n leaves up to 3 / n, with 95 in 100."""
    for packs in (30, 100, 1_000):
        low, _ = limits(np.array(1.0), np.array(float(packs)))
        assert 1 - low == pytest.approx(3 / packs, rel=0.06)


def test_among_none_nothing_is_known():
    low, high = limits(np.array([0.3, 1.0]), np.zeros(2))
    assert low.tolist() == [0, 0]
    assert high.tolist() == [1, 1]


def test_packs_lost_on_the_way_count_for_less():
    # Peto's number: of ten five were lost on day 3, so past it a share counts as five, one of them back or not.
    number = watched_packs(record_of([3] * 5 + [20, 60, 60, 60, 60], [False] * 5 + [True] + [False] * 4))
    by = {int(day): count for day, count in zip(DAYS, number, strict=True)}
    assert by[1] == pytest.approx(10)
    assert by[14] == pytest.approx(5)
    assert by[30] == pytest.approx(5)
    assert number[DAYS > 60].tolist() == [0] * int((DAYS > 60).sum())


def test_where_all_came_back_none_is_lost():
    number = watched_packs(record_of([5, 10, 40], [True] * 3))
    assert number == pytest.approx(np.full(len(DAYS), 3.0))


class _Columns:
    names = ("volts", "age")


class _Prior:
    columns = _Columns()


def test_a_pack_unlike_all_of_the_record_is_told_apart():
    rng = np.random.default_rng(0)
    X = pd.DataFrame({"volts": rng.normal(0, 1, 80), "age": np.nan, "blocks": 14.0})
    scale = Scale(np.zeros(2), np.ones(2))
    packs = np.repeat(np.arange(40), 2).astype(object)
    reach = RecordReach.of(record_of(np.full(80, 30.0), np.arange(80) % 2 == 0, X), _Prior(), scale, packs, ("blocks",))
    assert (reach.nearness(X, _Prior(), scale).counted == 1).all()
    asked = pd.DataFrame(
        {"volts": [0.1, -3.9, 0.1, np.nan], "age": [5.0, 5.0, 5.0, np.nan], "blocks": [14, 14, 28, 14]}
    )
    found = reach.nearness(asked, _Prior(), scale)
    near = found.counted
    # An age is known of none of the record's packs, so no age is further out than another.
    assert near[[0, 3]].tolist() == [1, 1]
    assert 0 < near[1] < 0.5
    assert near[2] == 0
    # Of another family the curve is told by what the forty returns have in common.
    assert found.told[2] == pytest.approx(40 / (40 + RETURNS_ACROSS_FAMILIES))
    mean = np.full((4, len(DAYS)), 0.97)
    low, high = reach.limits_of(mean, found)
    assert (low[2] == 0).all()
    assert (high[2] == 1).all()
    assert (low[1] < low[0]).any()
    exact = limits(mean[0], watched_packs(record_of(np.full(80, 30.0), np.arange(80) % 2 == 0)))
    np.testing.assert_allclose(low[0], exact[0], atol=0.002)
    np.testing.assert_allclose(high[0], exact[1], atol=0.002)
    assert len(KNOTS) == reach.low.shape[1]
