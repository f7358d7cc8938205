"""Blocks counted from the other end, or from the next one, are told by an earlier reading of the same visit."""

from __future__ import annotations

import numpy as np
import pytest

from models.packs.block_order import other_order

LOW = [13.0, 13.01, 13.02, 12.99, 12.62, 13.02, 13.01, 12.99, 13.0, 13.0, 12.99, 13.0, 13.03, 13.03]


@pytest.mark.parametrize(
    ("now", "order"),
    [
        (LOW, None),
        (LOW[::-1], "reversed"),
        ([13.0, *LOW[:-1]], "shifted"),
        ([*LOW[1:], 13.0], "shifted"),
        ([13.0, *LOW[::-1][:-1]], "reversed"),
        ([v - 0.4 for v in LOW[::-1]], "reversed"),  # the whole pack stands lower: the median goes out
        ([13.0] * 14, None),  # level by now: nothing stands out that could tell
        ([*LOW[:8], 12.62, *LOW[9:4:-1], *LOW[10:13]][:14], None),
        ([None] * 14, None),
        ([*[None] * 11, *LOW[11:]], None),
    ],
)
def test_which_order_is_told(now, order):
    assert other_order(now, LOW, 12) == order


def test_two_low_blocks_of_different_depth_are_not_taken_for_one_that_moved():
    other = [*LOW[:4], 13.0, *LOW[5:9], 12.4, *LOW[10:]]
    assert other_order(other, LOW, 12) is None


def test_a_block_that_was_charged_between_tells_nothing():
    charged = [*LOW[:4], 13.1, *LOW[5:]]
    assert other_order(charged, LOW, 12, {5}) is None
    assert other_order(LOW[::-1], LOW, 12, {5}) is None, "what stands out is the charged block alone"
    two = [*LOW[:2], 12.8, *LOW[3:]]
    assert other_order([*two[:4], 13.1, *two[5:]][::-1], two, 12, {5}) == "reversed", "another low block tells"


@pytest.mark.parametrize("seed", range(5))
def test_property_meters_err_and_no_order_is_told_that_is_not_there(seed):
    """Errors of a fair meter: 2 mV a cell of 12 cells, half of what two readings may lie apart. Invented."""
    rng = np.random.default_rng(seed)
    for _ in range(200):
        pack = rng.normal(13.0, 0.003, 14)
        pack[rng.integers(14)] -= rng.uniform(0.2, 0.8)
        one, two = (pack + rng.uniform(-0.012, 0.012, 14) for _ in range(2))
        assert other_order(list(two), list(one), 12) is None
        assert other_order(list(two[::-1]), list(one), 12) == "reversed"
