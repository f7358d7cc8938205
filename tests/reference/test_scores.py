"""Scores against published figures, R's output and scikit-survival."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import sksurv.metrics
import statsmodels.api as sm
from lifelines.datasets import load_lung
from numpy.testing import assert_allclose
from sksurv.datasets import load_gbsg2
from sksurv.linear_model import CoxPHSurvivalAnalysis
from sksurv.preprocessing import OneHotEncoder
from sksurv.util import Surv

from models.survival.kaplan_meier import censoring_distribution
from training.scoring import (
    brier_score,
    distribution_calibration,
    harrell_c,
    integrated_brier_score,
    integrated_calibration_index,
    uno_c,
)
from training.scoring.local_regression import fit_hazard_regression, fit_status_regression

R_OUTPUT = json.loads((Path(__file__).parent / "data" / "r_survival.json").read_text())
NO_CUT = 1e-9


def hair_after(days):
    return np.nextafter(days, np.inf)


def read_on_the_day(time, event):
    """Make G(t−) of this curve equal G(t) of the usual one.

    scikit-survival weighs an event on day T by 1/G(T), the literature (Graf et al. 1999; Uno et al. 2011) and R by
    1/G(T−). Without a return and a censoring on one day both are the same.
    """
    curve = censoring_distribution(time, event)
    return replace(curve, days=np.nextafter(curve.days, -np.inf))


@pytest.fixture(scope="module")
def gbsg2():
    # German Breast Cancer Study Group 2, Cox with Efron ties. Figures: scikit-survival's documentation of
    # brier_score and recomputed with it and R.
    table, y = load_gbsg2()
    table["tgrade"] = table["tgrade"].astype(str).str.len()
    table = OneHotEncoder().fit_transform(table)
    model = CoxPHSurvivalAnalysis(ties="efron").fit(table, y)
    days = np.arange(365.0, 1826.0)
    held = np.vstack([f(days) for f in model.predict_survival_function(table)])
    grid = np.concatenate([[0.0], hair_after(days)])
    return model.predict(table), np.column_stack([np.ones(len(held)), held]), grid, y["time"], y["cens"]


def test_brier_score_gbsg2(gbsg2):
    _, curves, grid, time, event = gbsg2
    day = [grid[-1]]
    same = brier_score(
        curves, time, event, days=day, grid=grid, censoring=read_on_the_day(time, event), min_followed=NO_CUT
    )
    assert same.score[0] == pytest.approx(0.20881843, abs=5e-9)
    # With G(T−) the days shared by a return and a censoring move it by 7e-5.
    assert brier_score(curves, time, event, days=day, grid=grid).score[0] == pytest.approx(0.20881843, abs=1e-4)


def test_integrated_brier_score_gbsg2(gbsg2):
    _, curves, grid, time, event = gbsg2
    found = integrated_brier_score(
        curves,
        time,
        event,
        days=grid[1:],
        grid=grid,
        censoring=read_on_the_day(time, event),
        min_followed=NO_CUT,
    )
    assert found.score == pytest.approx(0.1815853, abs=5e-8)


def test_concordance_gbsg2(gbsg2):
    risk, _, _, time, event = gbsg2
    assert harrell_c(risk, time, event).index == pytest.approx(0.6879283, abs=5e-8)
    uno = uno_c(risk, time, event, censoring=read_on_the_day(time, event), min_followed=NO_CUT)
    assert uno.index == pytest.approx(0.6740729, abs=5e-8)


@pytest.mark.parametrize("ties", ["ties", "continuous"])
def test_brier_score_against_r(ties):
    # R pec 2023.4.12 and riskRegression 2023.12.21, marginal censoring: survivors are those with T > t, by 1/G(t).
    case = R_OUTPUT[f"brier_{ties}"]
    grid = np.concatenate([[0.0], hair_after(case["survival_times"])])
    curves = np.column_stack([np.ones(len(case["time"])), case["survival"]])
    found = brier_score(curves, case["time"], case["event"], days=grid[1:], grid=grid, min_followed=NO_CUT)
    assert_allclose(found.score, case["brier"], rtol=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_against_scikit_survival(seed):
    rng = np.random.default_rng(seed)
    n, grid = 300, np.linspace(0, 40, 9)
    rate = rng.uniform(0.01, 0.1, n)
    life, lost = rng.exponential(1 / rate), rng.exponential(40, n)
    time, event = np.minimum(life, lost), life <= lost
    curves = np.exp(-np.outer(rate * rng.uniform(0.5, 2, n), grid))
    outcome = Surv.from_arrays(event, time)
    days, peer = sksurv.metrics.brier_score(outcome, outcome, curves[:, 1:], grid[1:])
    assert_allclose(brier_score(curves, time, event, days=days, grid=grid, min_followed=NO_CUT).score, peer, rtol=1e-11)
    assert integrated_brier_score(
        curves, time, event, days=days, grid=grid, min_followed=NO_CUT
    ).score == pytest.approx(
        sksurv.metrics.integrated_brier_score(outcome, outcome, curves[:, 1:], grid[1:]), rel=1e-11
    )
    risk = np.round(rate + rng.normal(0, 0.03, n), 2)  # with ties
    peer_index, concordant, discordant, tied, _ = sksurv.metrics.concordance_index_censored(event, time, risk)
    ours = harrell_c(risk, time, event)
    assert ours.index == pytest.approx(peer_index, rel=1e-12)
    assert (ours.pairs, ours.tied) == (concordant + discordant + tied, tied)
    peer_uno = sksurv.metrics.concordance_index_ipcw(outcome, outcome, risk, tau=35.0)[0]
    assert uno_c(risk, time, event, until=35.0, min_followed=NO_CUT).index == pytest.approx(peer_uno, rel=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_harrell_with_tied_days_against_scikit_survival(seed):
    rng = np.random.default_rng(seed)
    time, event = np.ceil(rng.exponential(8, 200)), rng.random(200) < 0.5
    risk = rng.integers(0, 6, 200).astype(float)
    peer = sksurv.metrics.concordance_index_censored(event, time, risk)[0]
    assert harrell_c(risk, time, event).index == pytest.approx(peer, rel=1e-12)


@pytest.fixture(scope="module")
def lung():
    # R's survival::lung, read from lifelines: 227 complete rows of age, sex and ECOG, 164 events.
    table = load_lung().dropna(subset=["ph.ecog"])
    columns = table[["age", "sex", "ph.ecog"]].to_numpy(dtype=float)
    return columns, table["time"].to_numpy(dtype=float), table["status"].to_numpy() == 1


def test_hazard_regression_against_statsmodels(lung):
    columns, time, event = lung
    peer = sm.PHReg(time, columns, status=event.astype(int), ties="efron").fit().params
    assert_allclose(fit_hazard_regression(columns, time, event, np.zeros(time.size)).coefficients, peer, rtol=1e-6)


def test_status_regression_against_statsmodels():
    rng = np.random.default_rng(8)
    columns = np.column_stack([np.ones(500), rng.normal(size=(500, 2))])
    returned, weights = rng.random(500) < 0.4, rng.uniform(0.5, 3, 500)
    family = sm.families.Binomial(sm.families.links.CLogLog())
    peer = sm.GLM(returned.astype(float), columns, family=family, var_weights=weights).fit(tol=1e-12)
    ours = fit_status_regression(columns, returned, weights, np.zeros(3))
    assert_allclose(ours.coefficients, peer.params, rtol=1e-6)
    # Unweighted robust errors from the observed information; the library's HC0 uses the expected one.
    plain = fit_status_regression(columns, returned, np.ones(500), np.zeros(3))
    robust = sm.GLM(returned.astype(float), columns, family=family).fit(cov_type="HC0", tol=1e-12)
    assert_allclose(np.sqrt(np.diag(plain.covariance)), robust.bse, rtol=0.02)


def test_late_entry_hazard_regression_against_statsmodels():
    rng = np.random.default_rng(7)
    entry = rng.uniform(0, 5, 400)
    columns = rng.normal(size=(400, 2))
    life = entry + rng.exponential(10 * np.exp(-columns[:, 0]))
    time, event = np.minimum(life, 25.0), life < 25
    peer = sm.PHReg(time, columns, status=event.astype(int), entry=entry, ties="efron").fit().params
    assert_allclose(fit_hazard_regression(columns, time, event, entry).coefficients, peer, rtol=1e-6)


@pytest.mark.parametrize(("place", "day", "expected"), [(1, 135, 0.003342), (2, 226, 0.005583), (3, 387, 0.006476)])
def test_integrated_calibration_index_lung(lung, place, day, expected):
    # Austin et al. 2020 computed by R survival 3.5.8 and rms 6.7.1 for Cox on age, sex and ECOG.
    columns, time, event = lung
    r = R_OUTPUT["calibration_lung_cox"]
    model = fit_hazard_regression(columns, time, event, np.zeros(time.size))
    grid = np.array([0.0, day, time.max() + 1])
    curves = np.column_stack([np.ones(time.size), model.survival(columns, day), model.survival(columns, grid[-1])])
    found = integrated_calibration_index(curves, time, event, day=day, observed_by="hazard", grid=grid)
    assert found.index == pytest.approx(expected, abs=5e-7)
    assert_allclose(
        [found.index, found.median, found.ninetieth], [r[f"{key}_{place}"] for key in ("ici", "e50", "e90")], rtol=1e-7
    )
    predicted = 1 - curves[:, 1]
    assert_allclose([predicted.min(), predicted.max()], r[f"predicted_range_{place}"], rtol=1e-7)


@pytest.mark.parametrize("place", [1, 2, 3])
def test_integrated_calibration_index_with_late_entry_against_r(place):
    # R survival 3.5.8, Surv(entry, time, event) in both the model and the calibration model.
    r = R_OUTPUT["calibration_ph_violation_cox"]
    columns, day = np.array(r["z"]).T, r["t0"][place - 1]
    time, event, entry = np.array(r["time"]), np.array(r["event"]), np.array(r["entry"])
    model = fit_hazard_regression(columns, time, event, entry)
    grid = np.array([0.0, day, time.max() + 1])
    curves = np.column_stack([np.ones(time.size), model.survival(columns, day), model.survival(columns, grid[-1])])
    found = integrated_calibration_index(curves, time, event, entry, day=day, observed_by="hazard", grid=grid)
    assert_allclose(
        [found.index, found.median, found.ninetieth], [r[f"{key}_{place}"] for key in ("ici", "e50", "e90")], rtol=1e-6
    )


def test_distribution_calibration_of_one_censored_row():
    # Haider et al. 2020, JMLR 21(85), section 3.5: censored at S = 0.35, ten bins.
    found = distribution_calibration([[1.0, 0.35]], [1.0], [False], grid=np.array([0.0, 1.0]))
    assert_allclose(found.shares, [0.285714] * 3 + [0.142857] + [0.0] * 6, atol=5e-7)
