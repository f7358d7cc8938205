"""Trees that correct given curves: nothing to learn leaves them, a known factor is found, directions are kept."""

from __future__ import annotations

import pickle

import numpy as np
import pandas as pd
import pytest

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.estimators.residual_trees import ResidualTrees

ROWS = 6000
RATE = 0.02


def rows(rng: np.random.Generator, factor) -> tuple[pd.DataFrame, np.ndarray, np.ndarray, np.ndarray]:
    """Exponential days at `RATE` times a factor of the first column, seen for 60 days; curves say `RATE`. Invented."""
    X = pd.DataFrame({"one": rng.normal(size=ROWS), "other": rng.normal(size=ROWS)})
    X.loc[rng.random(ROWS) < 0.1, "other"] = np.nan
    time = rng.exponential(1 / (RATE * factor(X["one"].to_numpy())))
    curves = np.broadcast_to(np.exp(-RATE * DAYS), (ROWS, len(DAYS)))
    return X, curves, np.minimum(time, 60.0), time <= 60.0


def test_known_answer_curves_that_are_right_are_left_nearly_alone():
    X, curves, time, event = rows(np.random.default_rng(1), np.ones_like)
    (found,) = ResidualTrees({"one": 1}).fit(X, curves, time, event).corrected(X, curves)
    factor = np.log(found[:, 20]) / np.log(curves[:, 20])
    assert abs(factor.mean() - 1) < 0.05
    assert factor.std() < 0.12


def test_known_answer_a_factor_that_the_curves_lack_is_found_by_bin_and_column():
    X, curves, time, event = rows(np.random.default_rng(2), lambda one: np.where(one > 0, 2.0, 0.5))
    (found,) = ResidualTrees().fit(X, curves, time, event).corrected(X, curves)
    factor = np.log(found[:, 20]) / np.log(curves[:, 20])
    high = X["one"].to_numpy() > 0
    # Forty steps of a tenth, each leaf shrunk by twenty events, leave a little of it.
    assert factor[high].mean() == pytest.approx(2.0, rel=0.12)
    assert factor[~high].mean() == pytest.approx(0.5, rel=0.12)


def test_property_curves_stay_curves_and_directions_are_kept():
    X, curves, time, event = rows(np.random.default_rng(3), lambda one: np.exp(-0.8 * one))
    trees = ResidualTrees({"one": 1}).fit(X, curves, time, event)
    found, low = trees.corrected(X, curves, curves**2)
    assert np.all(found[:, 0] == 1)
    assert np.all(np.diff(found, axis=1) <= 0)
    assert np.all(low <= found)
    raised = trees.corrected(X.assign(one=X["one"] + 1), curves)[0]
    assert np.all(raised <= found + 1e-12)


def test_kept_and_loaded_it_says_the_same():
    X, curves, time, event = rows(np.random.default_rng(4), np.exp)
    trees = ResidualTrees().fit(X, curves, time, event)
    again = pickle.loads(pickle.dumps(trees))
    assert np.array_equal(again.corrected(X, curves)[0], trees.corrected(X, curves)[0])


def test_without_a_return_there_is_nothing_to_fit():
    X, curves, time, _ = rows(np.random.default_rng(5), np.ones_like)
    with pytest.raises(BadInput):
        ResidualTrees().fit(X, curves, time, np.zeros(ROWS, dtype=bool))
