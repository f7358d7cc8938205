import numpy as np
import pytest
from sklearn.base import BaseEstimator

from models.base.errors import BadInput
from models.estimators.cox import CoxRegression
from models.estimators.first_passage import FirstPassageRegression
from models.survival.estimator import SurvivalEstimator
from tests.studies.peers.aft import LogNormalRegression, WeibullRegression
from tests.studies.peers.stack import ConvexStack


class Fixed(BaseEstimator):
    """Forecasts an exponential curve of one mean, whatever it is shown."""

    def __init__(self, mean=10.0):
        self.mean = mean

    def fit(self, X, time, event, entry=None, weights=None):
        self.fitted_ = True
        return self

    def predict_survival(self, X, days):
        return np.tile(np.exp(-np.asarray(days) / self.mean), (len(X), 1))


def cohort(seed, n=800, late=0.0, law="lognormal"):
    """Invented packs with a linear effect on log days; lognormal or Weibull lives."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, 2))
    noise = 0.7 * rng.normal(size=n) if law == "lognormal" else np.log(rng.weibull(1.5, n))
    died, followed = np.exp(2.5 + 0.6 * X[:, 0] + noise), rng.uniform(5, 120, n)
    entry = np.where(rng.random(n) < late, rng.uniform(0, 8, n), 0.0)
    time, event = np.minimum(died, followed), died <= followed
    seen = time > entry
    return X[seen], time[seen], event[seen], entry[seen]


@pytest.mark.parametrize("late", [0.0, 0.5])
def test_finds_the_mixture_the_world_is(late):
    # Half the packs last 5 days on average and half 40, and no feature tells which.
    rng = np.random.default_rng(1)
    n = 6000
    died = np.where(rng.random(n) < 0.5, rng.exponential(5, n), rng.exponential(40, n))
    entry = np.where(rng.random(n) < late, rng.uniform(0, 1, n), 0.0)
    seen = died > entry
    members = {"short": Fixed(5.0), "long": Fixed(40.0), "absurd": Fixed(0.1)}
    stack = ConvexStack(members).fit(np.zeros((seen.sum(), 1)), died[seen], seen[seen], entry[seen])
    assert stack.shares_["short"] == pytest.approx(0.5, abs=0.05)
    assert stack.shares_["absurd"] == pytest.approx(0.0, abs=0.02)
    assert sum(stack.shares_.values()) == pytest.approx(1.0)


def test_is_no_worse_than_its_best_member():
    X, time, event, entry = cohort(2, late=0.3)
    members = {
        "cox": CoxRegression(),
        "weibull": WeibullRegression(),
        "lognormal": LogNormalRegression(),
        "passage": FirstPassageRegression(),
    }
    stack = ConvexStack(members).fit(X, time, event, entry)
    assert isinstance(stack, SurvivalEstimator)
    assert stack.scores_["stack"] <= min(stack.scores_[name] for name in members) + 1e-9
    curves = stack.predict_survival(X, [0, 5, 30])
    assert np.all(curves[:, 0] == 1)
    assert np.all(np.diff(curves, axis=1) <= 0)
    np.testing.assert_allclose(stack.predict_survival(X[4:5], [0, 5, 30]), curves[4:5], rtol=1e-12)


@pytest.mark.parametrize(("law", "right"), [("lognormal", "lognormal"), ("weibull", "weibull")])
def test_favours_the_law_the_lives_follow(law, right):
    X, time, event, entry = cohort(3, n=4000, law=law)
    members = {"weibull": WeibullRegression(), "lognormal": LogNormalRegression()}
    assert ConvexStack(members).fit(X, time, event, entry).shares_[right] > 0.7


def test_rows_of_one_pack_stay_together():
    seen = []

    class Spy(Fixed):
        def predict_survival(self, X, days):
            seen.append(set(np.asarray(X)[:, 0]))
            return super().predict_survival(X, days)

    X = np.repeat(np.arange(20.0), 3)[:, None]
    time = np.random.default_rng(0).exponential(10, 60)
    ConvexStack({"spy": Spy()}).fit(X, time, np.ones(60, dtype=bool), groups=X[:, 0])
    assert len(seen) == 5
    assert sum(len(part) for part in seen) == 20


def test_bad_input_is_named():
    X, time, event, _ = cohort(4, n=50)
    with pytest.raises(BadInput, match="members"):
        ConvexStack({}).fit(X, time, event)
    with pytest.raises(BadInput, match="folds"):
        ConvexStack({"a": Fixed()}).fit(X, time, event, groups=np.zeros(len(time)))
