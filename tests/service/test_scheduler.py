"""Simulation and fitting on the workers of a real Dask scheduler on loopback: the same as on this machine."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.base.day_grid import DAYS
from service.core.scheduler import spread_over
from tests.service.running import running_dask
from training.learning.fitting import FitSettings, fit_members
from training.learning.moments import single_moments
from training.simulation.cohort import CohortPlan, simulate_cohort


@pytest.mark.long
def test_parity_what_workers_simulate_and_fit_is_what_this_machine_does():
    plan, settings = CohortPlan(packs=120, seed=4, worlds=3), FitSettings(rounds=8, workers=1)
    here = simulate_cohort(plan)
    rows = single_moments(here.tables, np.random.default_rng(0))
    members = fit_members(rows, settings)
    with running_dask(2) as (address, _), spread_over(address):
        there = simulate_cohort(plan, workers=2)
        far = fit_members(rows, settings)
    for name, frame in here.tables.frames().items():
        pd.testing.assert_frame_equal(there.tables.frames()[name], frame)
    pd.testing.assert_frame_equal(there.truth, here.truth)
    for mine, other in zip(members, far, strict=True):
        np.testing.assert_array_equal(other.predict_survival(rows.X, DAYS), mine.predict_survival(rows.X, DAYS))
