"""Product-limit estimates against published tables, R's output and other libraries."""

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from sksurv.nonparametric import CensoringDistributionEstimator, kaplan_meier_estimator
from sksurv.util import Surv
from statsmodels.duration.survfunc import SurvfuncRight, survdiff
from SurvSet.data import SurvLoader

from models.survival.kaplan_meier import censoring_distribution, kaplan_meier

R_OUTPUT = json.loads((Path(__file__).parent / "data" / "r_survival.json").read_text())


def test_nist_twenty_units():
    # NIST/SEMATECH e-Handbook 8.2.1.5: six failures, four removed early, ten still running at 200 h.
    failures, removed = [10, 32, 56, 98, 122, 181], [50, 100, 125, 150]
    time = failures + removed + [200] * 10
    event = [True] * 6 + [False] * 14
    curve = kaplan_meier(time, event)
    assert_allclose(curve.at(failures), [0.9500, 0.9000, 0.8471, 0.7941, 0.7374, 0.6704], atol=5e-5)
    assert np.isnan(curve.at(201.0)), "past the last observed hour nothing is known"


# Freireich et al., Blood 21, 699-716, 1963; remission in weeks, in many textbooks.
TREATED = [6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
TREATED_EVENT = [True] * 9 + [False] * 12
CONTROL = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def test_remission_data_two_samples():
    treated = kaplan_meier(TREATED, TREATED_EVENT)
    control = kaplan_meier(CONTROL, [True] * 21)
    assert_allclose(
        treated.at([6, 7, 10, 13, 16, 22, 23]), [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], atol=5e-5
    )
    assert treated.quantile(0.5) == 23
    assert control.quantile(0.5) == 8
    # Same source: log-rank chi square 16.793. The library computes it; our data entry and its agree.
    chisq, _ = survdiff(
        np.array(TREATED + CONTROL), np.array(TREATED_EVENT + [True] * 21).astype(int), np.repeat([0, 1], 21)
    )
    assert chisq == pytest.approx(16.793, abs=5e-4)


def test_greenwood_against_statsmodels():
    curve = kaplan_meier(TREATED, TREATED_EVENT)
    peer = SurvfuncRight(np.array(TREATED), np.array(TREATED_EVENT).astype(int))
    assert_allclose(curve.days, peer.surv_times)
    assert_allclose(curve.survival, peer.surv_prob, rtol=1e-12)
    assert_allclose(curve.standard_error(curve.days), peer.surv_prob_se, rtol=1e-12)


def test_late_entry_against_r():
    # R survival 3.5.8, survfit(Surv(tl, x, status) ~ 1, conf.type = "log-log").
    case, r = R_OUTPUT["late_entry"], R_OUTPUT["late_entry"]["km"]
    curve = kaplan_meier(case["time"], case["event"], case["entry"])
    assert_allclose(curve.at(r["time"]), r["surv"], rtol=1e-12)
    # R reports the standard error of −log S.
    assert_allclose(curve.standard_error(r["time"]) / curve.at(r["time"]), r["std_err"], rtol=1e-9)
    low, high = curve.interval(r["time"])
    assert_allclose(low, r["lower"], rtol=1e-9)
    assert_allclose(high, r["upper"], rtol=1e-9)
    died = np.array(r["n_event"]) > 0
    assert_allclose(curve.at_risk, np.array(r["n_risk"])[died])


@pytest.mark.filterwarnings("ignore:numpy.core:DeprecationWarning")  # the package's file was written by an older numpy
def test_hard_drives():
    # Hard-drive life, set hdfail of the PyPI package SurvSet; values recomputed from it with general libraries.
    df = SurvLoader().load_dataset("hdfail")["df"]
    curve = kaplan_meier(df["time"], df["event"] == 1)
    assert len(df) == 52_422
    assert_allclose(curve.at(np.array([1, 2, 3, 4]) * 365.0), [0.98549, 0.95270, 0.90670, 0.87806], atol=2e-4)


@pytest.mark.parametrize("seed", range(4))
def test_against_scikit_survival(seed):
    rng = np.random.default_rng(seed)
    time = np.ceil(rng.exponential(20, 300))  # many ties
    event = rng.random(300) < 0.6
    days, survival = kaplan_meier_estimator(event, time)
    curve = kaplan_meier(time, event)
    assert_allclose(curve.at(days), survival, rtol=1e-12)
    peer = CensoringDistributionEstimator().fit(Surv.from_arrays(event, time))
    inside = days[days < time.max()]
    assert_allclose(censoring_distribution(time, event).at(inside), peer.predict_proba(inside), rtol=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_late_entry_against_scikit_survival(seed):
    rng = np.random.default_rng(100 + seed)
    entry = rng.uniform(0, 10, 400)
    time = entry + rng.exponential(20, 400)
    event = rng.random(400) < 0.6
    days, survival = kaplan_meier_estimator(event, time, time_enter=entry)
    assert_allclose(kaplan_meier(time, event, entry).at(days), survival, rtol=1e-12)
