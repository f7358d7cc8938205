import numpy as np
import pytest

from models.decisions.hold_curves import HORIZON, checked_curves, daily_hold
from models.grid import DAYS
from models.problems import BadInput

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
