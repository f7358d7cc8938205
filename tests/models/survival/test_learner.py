"""Estimators as scikit-learn's: its own checks, pipelines, searches, and a score held to a reference library."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import weibull_min
from sklearn.base import clone
from sklearn.impute import SimpleImputer
from sklearn.model_selection import GridSearchCV, cross_val_score
from sklearn.pipeline import make_pipeline
from sklearn.utils.estimator_checks import parametrize_with_checks
from sksurv.util import Surv

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.estimators.cox import CoxRegression
from models.estimators.first_passage import FirstPassageRegression
from models.estimators.hazard_trees import HazardBooster
from models.estimators.marginal import MarginalCurve
from models.survival.learner import SurvivalLearner, structured

SHAPE, SCALE = 1.3, 20.0


class Weibull(SurvivalLearner):
    """A law that is known: nothing is learned."""

    def fit(self, X, time, event=None, entry=None, weights=None):
        return self

    def predict_survival(self, X, days):
        return np.tile(weibull_min.sf(days, SHAPE, scale=SCALE), (len(X), 1))


def drawn(rows=400, seed=3):
    """Packs of which the first feature shortens the hold; invented."""
    rng = np.random.default_rng(seed)
    X = pd.DataFrame(rng.normal(size=(rows, 2)), columns=["leak", "nothing"])
    time = rng.weibull(1.2, rows) * 20 * np.exp(-0.8 * X["leak"]) + 0.01
    until = rng.uniform(5, 80, rows)
    return X, structured(np.minimum(time, until), time <= until)


KNOWN = (
    "check_n_features_in_after_fitting",
    "check_dtype_object",
    "check_estimators_empty_data_messages",
    "check_estimator_sparse_tag",
    "check_estimator_sparse_array",
    "check_estimator_sparse_matrix",
    "check_fit2d_predict1d",
    "check_complex_data",
)


class AllReturned:
    """Called as the checks of scikit-learn call: any numbers for outcomes, read as days on which all returned."""

    def fit(self, X, y, weights=None):
        return super().fit(X, self.outcomes(y), weights=weights)

    def score(self, X, y, weights=None):
        return super().score(X, self.outcomes(y), weights=weights)

    def outcomes(self, y):
        if y is None:
            raise ValueError("requires y to be passed, but the target y is None")
        values = np.real(np.asarray(y)).astype(float)
        return structured(1 + values - values.min(), np.ones(len(values), bool))


class Cox(AllReturned, CoxRegression):
    pass


class FirstPassage(AllReturned, FirstPassageRegression):
    pass


class Booster(AllReturned, HazardBooster):
    pass


class Marginal(AllReturned, MarginalCurve):
    pass


OWN_WORDS = "bad input is refused as ValueError, in the words of this project and not in those that the check looks for"


def known_exceptions(estimator):
    """Checks that a survival estimator cannot pass, each with the reason."""
    exceptions = dict.fromkeys(KNOWN, OWN_WORDS)
    if isinstance(estimator, Booster):
        exceptions["check_dict_unchanged"] = "trees are made ready for reading at the first forecast, and kept so"
    return exceptions


@parametrize_with_checks(
    [Cox(), FirstPassage(), Booster(rounds=20), Marginal()], expected_failed_checks=known_exceptions
)
def test_it_is_an_estimator_of_scikit_learn(estimator, check):
    check(estimator)


@pytest.mark.parametrize("kind", [CoxRegression, FirstPassageRegression, HazardBooster, MarginalCurve])
def test_one_structured_array_teaches_as_two_columns_do(kind):
    X, y = drawn()
    apart = kind().fit(X, y["time"], y["event"]).predict_survival(X, DAYS)
    np.testing.assert_array_equal(kind().fit(X, y).predict_survival(X, DAYS), apart)
    theirs = Surv.from_arrays(y["event"], y["time"], name_event="Status", name_time="Survival_in_days")
    np.testing.assert_array_equal(kind().fit(X, theirs).predict(X), apart)


def test_entries_go_with_the_array():
    X, y = drawn()
    entry = np.where(np.arange(len(y)) % 2, 0.0, np.minimum(y["time"] / 2, 3.0))
    with_entry = structured(y["time"], y["event"], entry)
    apart = CoxRegression().fit(X, y["time"], y["event"], entry).predict(X)
    np.testing.assert_array_equal(CoxRegression().fit(X, with_entry).predict(X), apart)
    assert np.abs(apart - CoxRegression().fit(X, y).predict(X)).max() > 1e-6


@pytest.mark.parametrize("y", [np.arange(1.0, 401.0), np.zeros(400, dtype=[("a", float), ("b", float)])])
def test_days_alone_teach_nothing_as_nobody_said_which_returned(y):
    X, _ = drawn()
    with pytest.raises(BadInput, match="censored"):
        CoxRegression().fit(X, y)


def test_it_knows_the_names_it_learned_from():
    X, y = drawn()
    fitted = CoxRegression().fit(X, y)
    assert fitted.feature_names_in_.tolist() == ["leak", "nothing"]
    assert fitted.n_features_in_ == 2
    assert not hasattr(CoxRegression().fit(X.to_numpy(), y), "feature_names_in_")
    assert not hasattr(CoxRegression(), "feature_names_in_")


def test_a_pipeline_fits_predicts_and_scores():
    X, y = drawn()
    holes = X.mask(np.random.default_rng(0).random(X.shape) < 0.1)
    pipeline = make_pipeline(SimpleImputer(), CoxRegression())
    assert pipeline.fit(holes, y).predict(holes, days=[7, 14]).shape == (len(X), 2)
    assert pipeline.score(holes, y) > make_pipeline(SimpleImputer(), MarginalCurve()).fit(holes, y).score(holes, y)


def test_a_search_finds_the_penalty_that_tells_most():
    """An outcome that hangs on one feature: a penalty that forbids all features tells less on rows held out."""
    X, y = drawn()
    search = GridSearchCV(CoxRegression(), {"ridge": [1.0, 1e9]}, cv=4).fit(X, y)
    assert search.best_params_ == {"ridge": 1.0}
    assert search.predict(X).shape == (len(X), len(DAYS))
    assert len(cross_val_score(clone(search.best_estimator_), X, y, cv=3)) == 3


def test_the_score_is_the_log_likelihood_of_scipys_law():
    """scipy.stats.weibull_min tells the chance of each bin, and of what was not seen beyond a day of the grid."""
    time = np.array([0.5, 3.0, 3.2, 11.0, 90.0, 120.0, 10.0, 12.0])
    event = np.array([True, True, True, True, True, True, False, False])
    entry = np.array([0.0, 0.0, 2.0, 0.0, 0.0, 0.0, 0.0, 5.0])
    law = weibull_min(SHAPE, scale=SCALE)
    bins = [(0, 1), (2, 3), (3, 4), (10, 12), (80, 90)]
    expected = [np.log(law.cdf(b) - law.cdf(a)) for a, b in bins]
    expected[2] -= law.logsf(2.0)
    expected += [law.logsf(90.0), law.logsf(10.0), law.logsf(12.0) - law.logsf(5.0)]
    score = Weibull().score(np.zeros((8, 1)), structured(time, event, entry))
    assert score == pytest.approx(np.mean(expected), rel=1e-12)
    weights = np.arange(1.0, 9.0)
    assert Weibull().score(np.zeros((8, 1)), time, event, entry, weights) == pytest.approx(
        np.average(expected, weights=weights), rel=1e-12
    )


def test_what_a_curve_calls_impossible_costs_much_but_not_everything():
    class Sure(Weibull):
        def predict_survival(self, X, days):
            return np.ones((len(X), len(days)))

    assert Sure().score(np.zeros((2, 1)), [3.0, 5.0], [True, False]) == pytest.approx(np.log(1e-12) / 2)
