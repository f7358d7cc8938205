import numpy as np
import pytest
from scipy.integrate import solve_ivp

from models.physics.thermal import (
    FAN_SETPOINT_C,
    FAN_W_PER_K_KG,
    RMS_SHARE_OF_PEAK,
    STILL_W_PER_K_KG,
    driving_temperature_c,
)
from training.files.families import load_families

FAMILY = load_families()["marl-28"]


def _after(ambient, hours, peak=60.0, clog=0.0):
    values = np.broadcast_arrays(*(np.asarray(v, dtype=np.float32) for v in (ambient, hours, peak, clog)))
    return driving_temperature_c(FAMILY, *values)


def test_reference_heat_balance_integrated_by_scipy():
    # Below the fan's set-point the pack is one heat capacity with one conductance: scipy integrates the same balance.
    ohm = 1e-3 * (9.488 + 9.304) / 6 * 12 * 14  # the middle of the published table, 14 blocks of 12 cells
    watt = (RMS_SHARE_OF_PEAK * 60.0) ** 2 * ohm
    found = solve_ivp(lambda _, t: (watt - STILL_W_PER_K_KG * 28 * (t - 10)) / (974 * 28), (0, 1800), [10.0], rtol=1e-9)
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


def test_conductances_against_the_published_module():
    """NREL ADVISOR ESS_NiMH7_rc_temp: 1 kg, 0.0378 m², a case of 0.1 mm at 0.2 W/m/K, 4 W/K/m² in still air; with the
    fan 0.01 kg/s through 0.0024 m² of air at 1.16 kg/m³, 30 W/K/m² at 5 m/s to the power of 0.8."""
    case, area = 0.0001 / 0.2, 0.0378
    speed = 0.01 / (1.16 * 0.0024)
    still, moved = (area / (1 / film + case) for film in (4.0, 30 * (speed / 5) ** 0.8))
    assert pytest.approx(still, abs=0.005) == STILL_W_PER_K_KG
    assert pytest.approx(moved, abs=0.005) == STILL_W_PER_K_KG + FAN_W_PER_K_KG
