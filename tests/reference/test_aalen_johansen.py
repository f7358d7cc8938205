"""Cumulative incidence of competing events against R's output and other libraries."""

import json
from pathlib import Path

import numpy as np
import pytest
from lifelines import AalenJohansenFitter
from numpy.testing import assert_allclose
from sksurv.nonparametric import cumulative_incidence_competing_risks
from statsmodels.duration.survfunc import CumIncidenceRight

from models.survival.competing_risks import aalen_johansen

R_OUTPUT = json.loads((Path(__file__).parent / "data" / "r_survival.json").read_text())


def test_against_r():
    # R cmprsk 2.2.11, cuminc(time, cause); 80 invented rows with two causes.
    case = R_OUTPUT["competing"]
    ours = aalen_johansen(case["time"], case["cause"]).at(case["times"])
    assert_allclose(ours.T, case["incidence"], rtol=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_against_statsmodels_and_scikit_survival(seed):
    rng = np.random.default_rng(seed)
    time = np.ceil(rng.exponential(20, 200))
    cause = rng.integers(0, 3, 200)
    ours = aalen_johansen(time, cause)
    peer = CumIncidenceRight(time, cause, freq_weights=np.ones(200))  # its errors divide by zero at the end
    for column, incidence in enumerate(peer.cinc):
        assert_allclose(ours.at(peer.times)[:, column], incidence, rtol=1e-10)
    days, incidence = cumulative_incidence_competing_risks(cause, time)
    assert_allclose(ours.at(days).T, incidence[1:], rtol=1e-10)


@pytest.mark.parametrize("seed", range(2))
def test_late_entry_against_lifelines(seed):
    rng = np.random.default_rng(seed)
    # An early start of full watching keeps the risk set filled, so that no library has to guess at empty ones.
    entry = np.where(rng.random(300) < 0.5, 0.0, rng.uniform(0, 10, 300))
    time = entry + rng.exponential(20, 300)  # continuous: lifelines jitters ties
    cause = rng.integers(0, 3, 300)
    ours = aalen_johansen(time, cause, entry)
    for column in (1, 2):
        peer = AalenJohansenFitter(calculate_variance=False).fit(time, cause, event_of_interest=column, entry=entry)
        days = peer.cumulative_density_.index.to_numpy()
        assert_allclose(ours.at(days)[:, column - 1], peer.cumulative_density_.iloc[:, 0].to_numpy(), rtol=1e-9)
