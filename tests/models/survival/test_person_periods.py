import numpy as np
import pytest

from models.base.errors import BadInput
from models.survival.estimator import check_outcomes
from models.survival.person_periods import PersonPeriods
from tests.studies.event_grid import event_quantile_grid

GRID = np.array([0.0, 1, 2, 4, 8])


def test_exposure_is_the_share_of_each_bin_at_risk():
    outcomes = check_outcomes([3, 2, 20, 1.5], [True, True, True, False], [0, 0.5, 5, 0])
    cut = PersonPeriods.cut(outcomes, GRID)
    expected = [[1, 1, 0.5, 0], [0.5, 1, 0, 0], [0, 0, 0, 0.75], [1, 0.5, 0, 0]]
    np.testing.assert_allclose(cut.exposure, expected)
    # An event on a grid day belongs to the bin that ends there; one past the grid was not seen.
    np.testing.assert_array_equal(np.argwhere(cut.event), [[0, 2], [1, 1]])


def test_constant_hazard_comes_back_from_events_over_exposure():
    rng = np.random.default_rng(0)
    died, entry = rng.exponential(5, 40_000), rng.uniform(0, 3, 40_000)
    seen = died > entry
    cut = PersonPeriods.cut(check_outcomes(died[seen], seen[seen], entry[seen]), GRID)
    rate = cut.event.sum(axis=0) / (cut.exposure.sum(axis=0) * np.diff(GRID))
    np.testing.assert_allclose(rate, 0.2, rtol=0.04)


def test_grid_by_event_quantiles():
    rng = np.random.default_rng(1)
    time, event = rng.exponential(100, 2000), rng.random(2000) < 0.5
    grid = event_quantile_grid(time, event, bins=10)
    counts = np.histogram(time[event], np.nextafter(grid, np.inf))[0]
    assert len(grid) == 11
    assert grid[-1] == time[event].max()
    assert np.ptp(counts) <= 1
    np.testing.assert_allclose(event_quantile_grid(10 * time, event, bins=10), 10 * grid)
    assert len(event_quantile_grid([1, 1, 2, 2], [True] * 4, bins=10)) == 3
    with pytest.raises(BadInput, match="no event"):
        event_quantile_grid([1, 2], [False, False])
