"""What holds for the forecast of any pack, whatever it read: cases are made up by hypothesis, invented throughout."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from models.base.errors import BadInput, OutOfReach
from models.packs.history import PackHistory
from models.packs.stops import Stopped
from tests.cases.packs import BEFORE, history_of_case

FAMILIES = ("marl-28", "gravel-14", "chert-30", "shale-20")
EXAMPLES = settings(
    max_examples=6,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.filter_too_much],
)

PACKS = st.fixed_dictionaries(
    {"family": st.sampled_from(FAMILIES), "rest_v": st.floats(-0.6, 0.1)},
    optional={
        "load_v": st.floats(-1.5, 0.1),
        "load_share": st.one_of(st.none(), st.floats(0.7, 2.0)),
        "temperature_c": st.floats(-10, 45),
        "after_v": st.one_of(st.none(), st.floats(-0.2, 0.1)),
        "charge": st.just({}),
        "holds": st.lists(st.floats(2, 60), max_size=2),
    },
)


@pytest.fixture(scope="module")
def forecaster(small_trained):
    return small_trained.forecaster


def forecast_of(forecaster, case: dict[str, Any]):
    try:
        return forecaster.forecast(PackHistory.model_validate(case))
    except (BadInput, Stopped, OutOfReach):
        assume(False)


@EXAMPLES
@given(PACKS)
def test_a_curve_starts_at_1_and_never_rises_and_lies_in_its_band(forecaster, pack):
    forecast = forecast_of(forecaster, history_of_case(pack, forecaster.families))
    for curve in (forecast.survival, forecast.band_low, forecast.band_high):
        assert curve[0] == 1.0
        assert np.all(np.diff(curve) <= 1e-12)
        assert np.all((curve >= 0) & (curve <= 1))
    assert np.all(forecast.band_low <= forecast.survival + 1e-9)
    assert np.all(forecast.survival <= forecast.band_high + 1e-9)


@EXAMPLES
@given(PACKS, st.floats(0.5, 60), st.floats(0.5, 25))
def test_conditional_agrees_with_unconditional(forecaster, pack, held, more):
    """P(T > s + t) = P(T > s) · P(T > t | held s), by definition; at days of the grid."""
    forecast = forecast_of(forecaster, history_of_case(pack, forecaster.families))
    later = forecast.given_held(held)
    end = float(forecast.days[np.searchsorted(forecast.days, held + more)])
    whole = forecast.hold_probability(held) * later.hold_probability(end - held)
    assert whole == pytest.approx(forecast.hold_probability(end), abs=1e-9)
    assert later.origin - forecast.origin == timedelta(days=held)


@EXAMPLES
@given(PACKS, st.randoms(use_true_random=False))
def test_the_numbers_of_blocks_do_not_matter(forecaster, pack, random):
    case = history_of_case(pack, forecaster.families)
    forecast = forecast_of(forecaster, case)
    blocks = forecaster.families[pack["family"]].blocks
    places = list(range(blocks))
    random.shuffle(places)
    told = dict(case)
    told["readings"] = [r | {"block_v": [r["block_v"][place] for place in places]} for r in case["readings"]]
    told["topups"] = [t | {"blocks": [places.index(b - 1) + 1 for b in t["blocks"]]} for t in case.get("topups", [])]
    other = forecast_of(forecaster, told)
    np.testing.assert_allclose(other.survival, forecast.survival, atol=1e-9)
    assert other.good_for(0.9) == pytest.approx(forecast.good_for(0.9), abs=1e-6)
    assert BEFORE <= other.origin == forecast.origin
