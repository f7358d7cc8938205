"""The kind of weakness: probabilities that add up, are calibrated, and beat the base rates."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import log_loss

from models.calibration.kind_shift import shifted
from models.forecasts.weakness_kind import KINDS, KindClassifier, with_likely_kind
from training.learning.moments import single_moments
from training.simulation.cohort import Cohort, CohortPlan, simulate_cohort


def rows_and_kinds(cohort: Cohort):
    rows = single_moments(cohort.tables, np.random.default_rng(2))
    kind = dict(zip(cohort.truth["pack_id"], cohort.truth["kind"], strict=True))
    return rows.X, np.array([kind[p] for p in rows.moments["pack_id"]], dtype=object)


@pytest.fixture(scope="module")
def parts(small_cohort):
    learn, check = (simulate_cohort(CohortPlan(packs, seed)) for packs, seed in ((1500, 21), (1000, 23)))
    return [rows_and_kinds(cohort) for cohort in (learn, small_cohort, check)]


@pytest.fixture(scope="module")
def fitted(parts):
    learn, calibrate, _ = parts
    return KindClassifier(iterations=60).fit(*learn).calibrate(*calibrate)


def test_they_beat_the_base_rates_on_packs_never_seen(parts, fitted):
    X, kind = parts[2]
    found = fitted.predict(X)
    np.testing.assert_allclose(found.sum(axis=1), 1.0)
    base = np.array([np.mean(parts[0][1] == k) for k in KINDS])
    code = np.array([KINDS.index(k) for k in kind])
    ours = log_loss(code, found, labels=range(4))  # scikit-learn's, as the outside check
    theirs = log_loss(code, np.tile(base, (len(code), 1)), labels=range(4))
    assert ours < 0.6 * theirs


def test_probabilities_mean_what_they_say(parts, fitted):
    X, kind = parts[2]
    found = fitted.predict(X)
    for column, name in enumerate(KINDS):
        own = found[:, column]
        cuts = np.unique(np.quantile(own, [0.5, 0.8]))
        for part in np.split(np.argsort(own), np.searchsorted(np.sort(own), cuts)):
            if len(part) < 50:
                continue
            expected, observed = own[part].mean(), np.mean(kind[part] == name)
            spread = np.sqrt(max(expected * (1 - expected), 0.01) / len(part))
            # Four standard errors of the share, and four points for a classifier that saw 1,500 packs.
            assert abs(observed - expected) < 4 * spread + 0.04, name


def test_moving_the_odds_never_makes_the_calibration_rows_worse(parts):
    learn, calibrate, _ = parts
    raw = KindClassifier(iterations=60).fit(*learn)
    code = np.array([KINDS.index(k) for k in calibrate[1]])
    before = log_loss(code, raw.predict(calibrate[0]), labels=range(4))
    after = log_loss(code, raw.calibrate(*calibrate).predict(calibrate[0]), labels=range(4))
    assert after <= before + 1e-6


def test_a_kind_never_taught_gets_no_probability(parts):
    X, kind = parts[0]
    known = kind != "joint"
    few = KindClassifier(iterations=5).fit(X[known], kind[known])
    assert few.predict(X)[:, KINDS.index("joint")].max() < 1e-5


def test_kinds_are_told_as_scikit_learn_reads_the_same_trees(parts, fitted):
    X = parts[2][0]
    raw = np.log(fitted.model_.predict_proba(X.to_numpy()))
    np.testing.assert_allclose(fitted.predict(X), shifted(raw, fitted.workshops_), atol=1e-9)
    learn = parts[0]
    two = np.isin(learn[1], ["leak", "joint"])
    pair = KindClassifier(iterations=5).fit(learn[0][two], learn[1][two])
    theirs = pair.model_.predict_proba(X.to_numpy())
    np.testing.assert_allclose(pair.predict(X)[:, [KINDS.index("leak"), KINDS.index("joint")]], theirs, atol=1e-5)


def test_evidence_groups_split_by_the_likeliest_kind():
    group = np.array(["fresh, rich", "fresh, rich", "fresh, bare", "holding, bare"], dtype=object)
    kinds = np.array([[0.2, 0.2, 0.2, 0.4], [0.4, 0.1, 0.1, 0.4], [0.0, 0.0, 0.0, 1.0], [0.3, 0.2, 0.5, 0.0]])
    parted = with_likely_kind(group, kinds)
    assert parted.tolist() == [
        "fresh, rich, likely a joint",
        "fresh, rich",
        "fresh, bare, likely a joint",
        "holding, bare, likely neglect",
    ]
    assert group.tolist() == ["fresh, rich", "fresh, rich", "fresh, bare", "holding, bare"]
    assert with_likely_kind(group, None) is group


def test_worlds_are_told_apart_whatever_they_are_called(parts):
    """Where each world has but one kind, offsets spread far; numbered worlds count like named ones."""
    learn, (X, kind), _ = parts
    number = np.array([KINDS.index(k) for k in kind], dtype=object)
    by_number = KindClassifier(iterations=5).fit(*learn).calibrate(X, kind, number)
    by_name = KindClassifier(iterations=5).fit(*learn).calibrate(X, kind, kind)
    np.testing.assert_allclose(by_number.law_.covariance, by_name.law_.covariance, rtol=1e-6)
    assert np.diag(by_number.law_.covariance)[1:].min() > 1.0
