import numpy as np
import pytest

from models.base.day_grid import DAYS, survival_at
from models.base.errors import BadInput
from models.decisions.hold_curves import HORIZON, checked_curves, daily_hold, held_until_now

CURVE = np.exp(-((DAYS / 40) ** 1.5))


def test_daily_curves_pass_through_the_grid_and_never_rise():
    daily = daily_hold(CURVE[None])
    assert daily.shape == (1, HORIZON + 1)
    np.testing.assert_allclose(daily[0, DAYS.astype(int)], CURVE)
    assert (np.diff(daily) <= 0).all()


@pytest.mark.parametrize(
    "broken",
    [
        CURVE,
        CURVE[None, :-1],
        1 - CURVE[None],
        CURVE[None] * 0.9,
        np.where(DAYS == 7, np.nan, CURVE)[None],
        CURVE[None] + 1,
    ],
)
def test_what_is_no_hold_curve_is_refused(broken):
    with pytest.raises(BadInput):
        checked_curves(broken)


def test_a_fleet_of_nobody_is_no_error():
    assert daily_hold(np.ones((0, len(DAYS)))).shape == (0, HORIZON + 1)


def test_a_pack_that_has_held_is_read_as_the_forecast_reads_it():
    """`Forecast.given_held` is the definition; where its shortened grid and ours meet, the two agree."""
    curves = np.exp(-((DAYS / np.array([[20.0], [55.0], [8.0]])) ** np.array([[1.4], [0.8], [2.5]])))
    held = np.array([0.0, 3.5, 21.0])
    later = held_until_now(curves, held)
    for row, days in enumerate(held):
        known = DAYS[DAYS + days <= HORIZON]
        read = survival_at(curves[row : row + 1], known + days)[0] / survival_at(curves[row : row + 1], float(days))
        assert later[row, : len(known)] == pytest.approx(read, rel=1e-9, abs=1e-12)
    assert (np.diff(later, axis=1) <= 0).all()
    assert later[0] == pytest.approx(curves[0])


def test_past_its_end_a_curve_keeps_its_last_hazard():
    later = held_until_now(np.exp(-DAYS / 30)[None], 40.0)
    assert later[0] == pytest.approx(np.exp(-DAYS / 30)), "an exponential forgets what it has held"


@pytest.mark.parametrize("days", [-1, 90, np.nan])
def test_days_past_the_horizon_cannot_have_been_held(days):
    with pytest.raises(BadInput, match="newer forecast"):
        held_until_now(np.exp(-DAYS / 30)[None], days)
