import numpy as np
import pytest
from scipy.integrate import solve_ivp

from models.physics.thermal import FAN_SETPOINT_C, RMS_SHARE_OF_PEAK, STILL_W_PER_K_KG, driving_temperature_c
from training.files.families import load_families

FAMILY = load_families()["marl-28"]


def _after(ambient, hours, peak=60.0, clog=0.0):
    values = np.broadcast_arrays(*(np.asarray(v, dtype=np.float32) for v in (ambient, hours, peak, clog)))
    return driving_temperature_c(FAMILY, *values)


def test_reference_heat_balance_integrated_by_scipy():
    # Below the fan's set-point the pack is one heat capacity with one conductance: scipy integrates the same balance.
    ohm = 0.5e-3 * (26.8 + 19.6) / 6 * 12 * 14  # the middle of the published table, 14 blocks of 12 cells
    watt = (RMS_SHARE_OF_PEAK * 60.0) ** 2 * ohm
    found = solve_ivp(lambda _, t: (watt - STILL_W_PER_K_KG * 28 * (t - 10)) / (800 * 28), (0, 1800), [10.0], rtol=1e-9)
    assert float(_after(10.0, 0.5)) == pytest.approx(found.y[0, -1], abs=0.01)
    assert float(_after(10.0, 0.5)) < FAN_SETPOINT_C


def test_property_never_colder_than_outside_and_rises_with_time_current_and_clog():
    rng = np.random.default_rng(1)
    ambient, hours, peak, clog = (
        rng.uniform(-20, 45, 500),
        rng.uniform(0, 3, 500),
        rng.uniform(20, 110, 500),
        rng.uniform(0, 0.8, 500),
    )
    at = _after(ambient, hours, peak, clog)
    assert (at >= ambient - 1e-3).all()
    assert (_after(ambient, hours + 0.5, peak, clog) >= at - 1e-3).all()
    assert (_after(ambient, hours, peak * 1.2, clog) >= at - 1e-3).all()
    assert (_after(ambient, hours, peak, clog + 0.2) >= at - 1e-3).all()


def test_property_fan_works_only_above_its_set_point_and_a_clogged_filter_shows_there():
    assert _after(0.0, 0.2, 30.0, 0.0) == _after(0.0, 0.2, 30.0, 0.95)
    clean, clogged = (float(_after(33.0, 1.5, 80.0, c)) for c in (0.0, 0.95))
    assert clean >= FAN_SETPOINT_C
    assert clogged > clean + 3
