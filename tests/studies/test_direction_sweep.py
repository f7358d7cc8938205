"""A thinned sweep of random cases: what physics leaves no doubt of holds at every step."""

from __future__ import annotations

import pytest

from tests.studies.direction_sweep import FORECASTS, sweep_forecasts, sweep_missing

HELD = [sweep for sweep in FORECASTS if sweep.name.startswith(("more kilometres", "more put in"))]


@pytest.mark.parametrize("sweep", HELD, ids=lambda sweep: sweep.name)
def test_property_no_step_of_a_random_case_goes_the_wrong_way(small_trained, sweep):
    found = sweep_forecasts(small_trained.forecaster, sweep, 150, 19)
    assert found.steps == 450
    # A charge far outside those seen is read as unknown, which may cost more than the surplus does: the step back from
    # there is none that an overcharge was promised anything for.
    assert found.wrong <= (0 if "kilometres" in sweep.name else found.steps // 100), found
    assert found.worst < 1, found


def test_property_a_lower_rest_reading_never_asks_for_less_charge():
    found = sweep_missing(25, 19)
    assert found.steps == 75
    assert found.wrong == 0, found
