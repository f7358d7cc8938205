import numpy as np
import pytest

from models.physics.cell_curves import (
    EMPTY_SLOPE_V,
    FULL_SLOPE_V,
    CurveLookup,
    ocv_v,
    resistance_mohm,
    soc_from_rest,
)
from training.files.families import load_families

FAMILIES = load_families()
NIMH = FAMILIES["gravel-14"].curves
PRISMATIC = ("flint-40", "marl-28", "shale-20")

# NREL ADVISOR data file ESS_NIMH6 (battery thermal management lab, January 2001, 25 °C): a module of six cells at a
# state of charge of 0, 10 … 100 %.
MODULE_OCV_V = [7.2370, 7.4047, 7.5106, 7.5873, 7.6459, 7.6909, 7.7294, 7.7666, 7.8078, 7.9143, 8.3645]
MODULE_DISCHARGE_MOHM = [37.7, 33.8, 30.0, 28.0, 27.5, 26.8, 26.9, 27.3, 28.3, 29.8, 31.2]
MODULE_CHARGE_MOHM = [23.5, 22.0, 20.5, 19.8, 19.8, 19.6, 19.8, 19.7, 20.3, 20.4, 20.4]
SOC = np.linspace(0, 1, 11)


def plateau_slope_v(curves, low=0.4, high=0.8):
    """Return the mean slope of the open-circuit voltage between two states of charge, V per unit of charge and cell."""
    ends = ocv_v(curves, np.array([low, high]))
    return (ends[1] - ends[0]) / (high - low)


def test_reference_published_table_of_the_module():
    # The family file is rounded to 0.01 mV and 0.1 µΩ a cell: 0.1 mV and 1 mΩ a module are far above that.
    np.testing.assert_allclose(6 * ocv_v(NIMH, SOC), MODULE_OCV_V, atol=1e-4)
    np.testing.assert_allclose(6 * resistance_mohm(NIMH, SOC), MODULE_DISCHARGE_MOHM, atol=1e-3)
    np.testing.assert_allclose(6 * resistance_mohm(NIMH, SOC, charging=True), MODULE_CHARGE_MOHM, atol=1e-3)


# NREL ADVISOR data file ESS_NiMH7_rc_temp (the same laboratory, March 2001, a prismatic module of 6.5 Ah, 26 °C), at a
# state of charge of 0, 20, 40, 50, 60, 70, 80 and 100 %.
PRISMATIC_SOC = np.array([0.0, 0.2, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0])
PRISMATIC_V = [7.27, 7.656, 7.843, 7.886, 7.91, 7.928, 7.975, 8.56]
PRISMATIC_RE_MOHM = np.array([10.7, 10.2, 9.746, 9.488, 9.435, 9.439, 9.75, 10.25])
PRISMATIC_RT_MOHM = np.array([10.5, 10.0, 9.557, 9.304, 9.25, 9.253, 9.491, 9.71])


@pytest.mark.parametrize("name", PRISMATIC)
def test_reference_families_of_prismatic_modules_carry_theirs(name):
    curves = FAMILIES[name].curves
    np.testing.assert_allclose(6 * ocv_v(curves, PRISMATIC_SOC), PRISMATIC_V, atol=1e-4)
    for charging in (False, True):
        found = 6 * resistance_mohm(curves, PRISMATIC_SOC, charging=charging)
        np.testing.assert_allclose(found, PRISMATIC_RE_MOHM + PRISMATIC_RT_MOHM, atol=1e-3)
    # "About 0.35 mV per percent and cell at 50 to 70 %", derived from the same table.
    assert 1e3 * plateau_slope_v(curves, 0.5, 0.7) / 100 == pytest.approx(0.35, abs=0.001)


@pytest.mark.parametrize("name", sorted(set(FAMILIES) - {"loess-28", *PRISMATIC}))
def test_reference_the_other_nickel_families_carry_the_table_of_round_cells(name):
    np.testing.assert_allclose(6 * ocv_v(FAMILIES[name].curves, SOC), MODULE_OCV_V, atol=1e-4)


def test_reference_plateau_slope():
    # Derived from the same table: 0.675 mV per percent and cell, 8.1 mV on a block of 12 cells.
    assert 1e3 * plateau_slope_v(NIMH) / 100 == pytest.approx(0.675, abs=0.0006)
    assert 12 * 1e3 * plateau_slope_v(NIMH) / 100 == pytest.approx(8.1, abs=0.01)


@pytest.mark.parametrize("name", FAMILIES)
def test_property_voltage_never_falls_with_charge_even_beyond_the_ends(name):
    soc = np.linspace(-0.6, 1.6, 3000)
    assert (np.diff(ocv_v(FAMILIES[name].curves, soc)) >= 0).all()


def test_property_ends_go_on_with_their_slopes_and_resistance_rises_when_empty():
    ends = ocv_v(NIMH, np.array([-0.1, 0.0, 1.0, 1.1]))
    assert ends[1] - ends[0] == pytest.approx(0.1 * EMPTY_SLOPE_V)
    assert ends[3] - ends[2] == pytest.approx(0.1 * FULL_SLOPE_V)
    assert (np.diff(resistance_mohm(NIMH, np.array([0.0, -0.1, -0.2]))) > 0).all()


@pytest.mark.parametrize("name", FAMILIES)
def test_property_charge_from_rest_voltage_is_the_inverse_of_the_curve(name):
    curves = FAMILIES[name].curves
    soc = np.linspace(-0.15, 1.15, 200)
    np.testing.assert_allclose(soc_from_rest(curves, ocv_v(curves, soc)), soc, atol=0.003)


def test_property_rest_voltage_beyond_the_curve_is_clipped():
    assert soc_from_rest(NIMH, np.array([0.0, 5.0])).tolist() == [-0.2, 1.2]


@pytest.mark.parametrize("name", FAMILIES)
def test_parity_fine_table_of_the_day_loop_gives_the_same_voltages(name):
    curves = FAMILIES[name].curves
    lookup = CurveLookup.of(curves)
    soc = np.random.default_rng(3).uniform(-0.45, 1.45, 5000).astype(np.float32)
    place = lookup.index(soc)
    # Half a step of 0.05 % on the steepest part (4.4 V per unit of charge) is 1.1 mV.
    np.testing.assert_allclose(lookup.ocv_v[place], ocv_v(curves, soc), atol=1.2e-3)
    np.testing.assert_allclose(lookup.discharge_mohm[place], resistance_mohm(curves, soc), rtol=2e-3)
    np.testing.assert_allclose(lookup.charge_mohm[place], resistance_mohm(curves, soc, charging=True), rtol=2e-3)


def test_property_charge_beyond_the_fine_table_counts_as_at_its_end():
    assert CurveLookup.index(np.array([-9, 9], dtype=np.float32)).tolist() == [0, 4000]
