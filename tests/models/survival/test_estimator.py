import numpy as np
import pandas as pd
import pytest

from models.base.errors import BadInput
from models.estimators.cox import CoxRegression
from models.estimators.first_passage import FirstPassageRegression
from models.survival.estimator import (
    FeatureColumns,
    SurvivalEstimator,
    check_days,
    check_grid,
    check_outcomes,
    require_events,
)
from tests.studies.peers.aft import LogNormalRegression, WeibullRegression


def test_defaults():
    outcomes = check_outcomes([3, 4.5], [1, 0])
    np.testing.assert_array_equal(outcomes.entry, [0, 0])
    np.testing.assert_array_equal(outcomes.weights, [1, 1])
    assert outcomes.event.dtype == bool


@pytest.mark.parametrize(
    ("arguments", "where"),
    [
        (([1, 2], [True]), "event"),
        (([1, 2], [0, 2]), "event"),
        (([1, np.nan], [0, 1]), "time"),
        (([1, 0], [0, 1]), "time[1]"),
        (([1, 2], [0, 1], [0, 2]), "entry"),
        (([1, 2], [0, 1], [0, -1]), "entry[1]"),
        (([1, 2], [0, 1], None, [1, -1]), "weights"),
        (([1, 2], [0, 1], None, [0, 0]), "weights"),
    ],
)
def test_contradictions_are_named(arguments, where):
    with pytest.raises(BadInput) as caught:
        check_outcomes(*arguments)
    assert caught.value.problems[0].where == where
    assert caught.value.problems[0].mend


def test_until_hides_what_came_later():
    cut = check_outcomes([3, 20, 10], [True, True, True]).until(10)
    np.testing.assert_array_equal(cut.time, [3, 10, 10])
    np.testing.assert_array_equal(cut.event, [True, False, True])


def test_no_event_is_refused():
    with pytest.raises(BadInput, match="event"):
        require_events(check_outcomes([1, 2], [False, True], weights=[1, 0]))


def test_features_are_checked():
    table, values = FeatureColumns.learn(pd.DataFrame({"a": [1, 2], "b": [np.nan, 4]}))
    assert table.names == ("a", "b")
    assert values.shape == (2, 2)
    with pytest.raises(BadInput, match="lacks 1 column"):
        table.read(pd.DataFrame({"a": [1.0]}))
    with pytest.raises(BadInput, match="fitted on 2"):
        table.read(np.zeros((1, 3)))
    with pytest.raises(BadInput, match="infinite"):
        table.read(np.array([[1.0, np.inf]]))
    with pytest.raises(BadInput, match="number"):
        FeatureColumns.learn(pd.DataFrame({"a": ["weak"]}))
    with pytest.raises(BadInput, match="complex"):
        FeatureColumns.learn(np.array([[1 + 2j]]))
    with pytest.raises(BadInput, match="not a feature"):
        table.position("c")


def test_days_and_grids_are_checked():
    with pytest.raises(BadInput, match="horizon"):
        check_days([1, 91], horizon=90)
    with pytest.raises(BadInput, match="increase"):
        check_grid([0, 2, 2])
    with pytest.raises(BadInput, match="increase"):
        check_grid([1, 2])


@pytest.mark.parametrize("kind", [CoxRegression, FirstPassageRegression, LogNormalRegression, WeibullRegression])
def test_every_regression_speaks_the_interface(kind):
    assert isinstance(kind(), SurvivalEstimator)
