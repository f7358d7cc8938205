"""Input drift: silent about the same packs, plain about others."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.base.errors import BadInput
from models.features.definitions import FEATURES
from training.learning.moments import single_moments
from training.monitoring.drift import LEAST_ROWS, input_drift
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.meters import MeterQuality


@pytest.fixture(scope="module")
def then(small_cohort):
    return single_moments(small_cohort.tables, np.random.default_rng(0)).X


def some_packs(seed, **plan):
    return single_moments(simulate_cohort(CohortPlan(200, seed, **plan)).tables, np.random.default_rng(1)).X


def test_packs_of_the_same_kind_are_not_called_drifted(then):
    """Over 20 draws of packs from the training itself, a false call is the exception the correction allows."""
    rng = np.random.default_rng(3)
    called = []
    for _ in range(20):
        picked = rng.permutation(len(then))
        called.append(len(input_drift(then.iloc[picked[150:]], then.iloc[picked[:150]]).drifted) > 0)
    assert np.mean(called) <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 20)


def test_a_hotter_place_shows_in_the_weather(then):
    found = input_drift(then, some_packs(31, places=("reed-delta",)))
    drifted = {f.feature: f for f in found.drifted}
    assert "ambient_c" in drifted
    assert drifted["ambient_c"].median_now > drifted["ambient_c"].median_then + 5
    said = found.sentences()
    assert said[0].endswith("differ from the training by more than chance explains.")
    assert any("its median was" in s and "°C" in s for s in said)


def test_evidence_that_is_no_longer_taken_is_named(then):
    now = then.sample(200, random_state=1).copy()
    now["charge_share"] = np.nan
    found = input_drift(then, now)
    assert [f.feature for f in found.drifted] == ["charge_share"]
    assert "is for 100 now" in found.sentences()[1]
    assert next(f.meaning for f in FEATURES if f.name == "charge_share").lower() in found.sentences()[1].lower()


def test_worse_meters_show(then):
    now = some_packs(32, meters=MeterQuality(noise_factor=12.0, missing_channel=0.5))
    assert input_drift(then, now).drifted


def test_too_few_packs_and_other_columns_are_told(then):
    said = input_drift(then, then.iloc[: LEAST_ROWS - 1]).sentences()
    assert said == [f"Only {LEAST_ROWS - 1} packs of late: {LEAST_ROWS} are needed for a comparison with the training."]
    with pytest.raises(BadInput, match="other columns"):
        input_drift(then, pd.DataFrame({"x": np.zeros(50)}))
