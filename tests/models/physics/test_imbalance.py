import numpy as np
import pytest

from models.physics.cell_curves import ocv_v
from models.physics.imbalance import (
    critical_share,
    deviation_v,
    excess_resistance_mohm,
    missing_charge_share,
    pack_median_v,
    robust_scale_v,
    weakest_block,
)
from training.files.families import load_families

FAMILIES = load_families()
FAMILY = FAMILIES["marl-28"]


def _gappy(seed, n=200, b=9):
    rng = np.random.default_rng(seed)
    volts = rng.normal(15.4, 0.1, (n, b))
    volts[rng.random((n, b)) < 0.3] = np.nan
    return volts


@pytest.mark.filterwarnings("ignore:All-NaN slice")
def test_reference_median_of_what_was_read_as_in_numpy():
    volts = _gappy(1)
    volts[0] = np.nan
    np.testing.assert_allclose(pack_median_v(volts), np.nanmedian(volts, axis=1))


def test_reference_robust_scale_is_the_standard_deviation_of_normal_data():
    # 1.4826 = 1/Φ⁻¹(3/4), which makes the median absolute deviation consistent for a normal law.
    deviation = deviation_v(np.random.default_rng(2).normal(15, 0.05, (400, 199)))
    assert robust_scale_v(deviation).mean() == pytest.approx(0.05, rel=0.02)


def test_invariance_offset_scale_order_and_rows():
    volts = _gappy(3)
    order = np.random.default_rng(4).permutation(9)
    deviation = deviation_v(volts)
    np.testing.assert_allclose(deviation_v(volts + 3.0), deviation, atol=1e-12)
    np.testing.assert_allclose(deviation_v(1000 * volts), 1000 * deviation, atol=1e-9)
    np.testing.assert_array_equal(deviation_v(volts[:, order]), deviation[:, order])
    np.testing.assert_array_equal(deviation_v(volts[5:6]), deviation[5:6])


def test_property_weakest_block_and_its_lead():
    block, lead = weakest_block(
        np.array([[0.0, -0.3, 0.01, -0.01], [np.nan, np.nan, 0.2, np.nan], [0.0, -0.01, 0.01, np.nan]])
    )
    assert block[0] == 1
    assert lead[0] > 10
    assert np.isnan(lead[1])
    assert block[2] == 1
    assert lead[2] < 3


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda f: f.name)
def test_recovery_missing_charge_from_a_rest_deviation(family):
    short = np.linspace(0.0, 0.4, 9)
    volts = family.cells_per_block * ocv_v(family.curves, family.soc_target - short)
    np.testing.assert_allclose(missing_charge_share(family, volts - volts[0]), short, atol=0.003)


def test_reference_a_bad_rest_deviation_is_a_quarter_to_a_third_of_the_charge():
    # 0.2 and 0.3 V on a 12-cell block are about 25 % and 37 % on a plateau of 8.1 mV per percent (derived from NREL
    # ADVISOR ESS_NIMH6); from 60 % down the curve steepens, so it is rather less.
    found = missing_charge_share(FAMILY, np.array([-0.2, -0.3]))
    assert 0.18 < found[0] < 0.25
    assert 0.24 < found[1] < 0.37


def test_recovery_excess_resistance_and_its_gaps():
    rest, load = np.zeros((3, 4)), np.zeros((3, 4))
    load[:, 2] = -0.6
    found = excess_resistance_mohm(rest, load, np.array([40.0, 1.0, np.nan]))
    assert found[0].tolist() == [0, 0, pytest.approx(15), 0]
    assert np.isnan(found[1:]).all()
    # Charging: the same joint reads high.
    assert excess_resistance_mohm(rest[:1], -load[:1], np.array([-40.0]))[0, 2] == pytest.approx(15)


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda f: f.name)
def test_property_critical_share_lies_inside_the_pack_and_falls_in_the_cold(family):
    at = [critical_share(family, t) for t in (-10.0, 10.0, 30.0)]
    # Below 15 °C the controller allows less current, so that the drop, and with it the share, stays the same.
    assert at[0] == pytest.approx(at[1], rel=1e-3)
    assert 0.05 < at[1] < at[2] < family.soc_target + 0.2


def test_nothing_read_of_any_pack_names_no_block():
    """A top-up of block 1 and no reading at all: the table has then no block but that one."""
    block, lead = weakest_block(np.full((3, 1), np.nan))
    assert (block == 0).all()
    assert np.isnan(lead).all()
