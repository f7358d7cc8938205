import numpy as np
import pytest

from models.physics.block_voltage import block_voltage_v, resistance_temperature_factor
from models.physics.pack_state import PackState
from training.files.families import load_families

FAMILY = load_families()["marl-28"]

MODULE_V = 7.91
"""NREL ADVISOR ESS_NiMH7_rc_temp, a prismatic module of six cells at 60 % and 26 °C."""


def _volts(state, current, temperature=25.0, offset=0.0):
    n = state.packs
    return block_voltage_v(FAMILY, state, np.full(n, float(current)), np.full(n, float(temperature)), offset)


def test_reference_block_of_two_published_modules():
    # NREL ADVISOR ESS_NiMH7_rc_temp at 60 %: 7.91 V, Re + Rt of 9.435 and 9.25 mΩ a module of six cells.
    state = PackState.alike(FAMILY, 1)
    assert _volts(state, 0)[0] == pytest.approx(2 * MODULE_V, abs=2e-4)
    assert _volts(state, 50)[0] == pytest.approx(2 * (MODULE_V - 50 * 0.018685), abs=2e-3)
    assert _volts(state, -20)[0] == pytest.approx(2 * (MODULE_V + 20 * 0.018685), abs=2e-3)


def test_property_a_joint_adds_its_ohms_and_nothing_at_rest():
    state = PackState.alike(FAMILY, 1)
    state.joint_mohm[0, 4] = 10
    assert np.ptp(_volts(state, 0)) == 0
    assert _volts(state, 50)[0, 4] - _volts(state, 50)[0, 0] == pytest.approx(-0.5, abs=1e-6)
    assert _volts(state, -20)[0, 4] - _volts(state, -20)[0, 0] == pytest.approx(0.2, abs=1e-6)


def test_property_a_shorted_cell_takes_its_voltage_away():
    state = PackState.alike(FAMILY, 1)
    state.live_cells[0, 2] -= 1
    # One cell at 60 %; "about 1.27 V" is common practice.
    assert _volts(state, 0)[0, 2] - _volts(state, 0)[0, 0] == pytest.approx(-MODULE_V / 6, abs=1e-4)


def test_property_a_topped_block_stands_on_its_charge_branch_only_while_the_string_does_not_charge():
    state = PackState.alike(FAMILY, 1)
    state.hysteresis[0, 3] = 1
    # +40 mV a cell: derived from NREL ADVISOR ESS_NIMH60.
    for current, offset in ((0, 12 * 0.04), (40, 12 * 0.04), (-20, 0.0)):
        volts = _volts(state, current)
        assert volts[0, 3] - volts[0, 0] == pytest.approx(offset, abs=1e-6)


def test_property_cold_raises_resistance():
    # NREL ADVISOR ESS_NiMH7_rc_temp, Re + Rt of a module: 39.4 mΩ at 1, 18.69 at 26 and 14.87 at 40 °C, at 60 %. One
    # law over all three is right within a tenth.
    at = [float(resistance_temperature_factor(FAMILY, np.array(t))) for t in (1.0, 26.0, 40.0)]
    assert at[0] / at[1] == pytest.approx(39.4 / 18.69, rel=0.12)
    assert at[2] / at[1] == pytest.approx(14.87 / 18.69, rel=0.12)
    # Of the others: 1.5 to 2 % per kelvin between 0 and 25 °C, from memory, unverified.
    other = float(resistance_temperature_factor(load_families()["gravel-14"], np.array(0.0)))
    assert 1.015**25 < other < 1.02**25
    assert float(resistance_temperature_factor(FAMILY, np.array(25.0))) == 1


def test_invariance_order_of_blocks_and_packs():
    rng = np.random.default_rng(4)
    state = PackState.alike(FAMILY, 3)
    state.charge_ah += rng.normal(0, 0.5, state.charge_ah.shape).astype(np.float32)
    current = np.array([30.0, 0.0, -10.0])
    volts = block_voltage_v(FAMILY, state, current, np.full(3, 15.0))
    turned = state.take(np.array([2, 0, 1]))
    turned.charge_ah = turned.charge_ah[:, ::-1]
    np.testing.assert_array_equal(
        block_voltage_v(FAMILY, turned, current[[2, 0, 1]], np.full(3, 15.0)), volts[[2, 0, 1]][:, ::-1]
    )
