import numpy as np
import pytest

from models.base.errors import BadInput
from models.physics.block_voltage import block_voltage_v
from models.physics.pack_state import PackState
from training.files.families import load_families
from training.simulation.meters import STATES, MeterQuality, VisitFaults, read_blocks

FAMILIES = load_families()
FAMILY = FAMILIES["marl-28"]
NO_FAULTS = MeterQuality(missing_channel=0, stuck_channel=0, swapped_leads=0)


def _read(kind="rest", n=2000, bench=True, quality=NO_FAULTS, seed=0, family=FAMILY):
    rng = np.random.default_rng(seed)
    faults = VisitFaults.draw(quality, family.blocks, n, rng)
    return read_blocks(
        family, PackState.alike(family, n), kind, np.full(n, 20.0), np.full(n, bench), faults, quality, rng
    )


@pytest.mark.parametrize(("bench", "sd", "step"), [(True, 0.004, 0.01), (False, 0.015, 0.02)])
def test_recovery_meter_noise_and_rounding(bench, sd, step):
    volts = _read(bench=bench).block_v
    # Noise and rounding (a rectangle of this width has a standard deviation of step/√12) add up.
    assert volts.std(axis=1).mean() == pytest.approx(np.hypot(sd, step / np.sqrt(12)), rel=0.15)
    np.testing.assert_allclose(volts / step, np.round(volts / step), atol=1e-6)


def test_property_poor_meters_are_noisier_and_small_blocks_are_read_finer():
    poor = _read(quality=MeterQuality(missing_channel=0, stuck_channel=0, swapped_leads=0, noise_factor=4)).block_v
    assert poor.std(axis=1).mean() > 2 * _read().block_v.std(axis=1).mean()
    single = _read(family=FAMILIES["chert-30"]).block_v
    np.testing.assert_allclose(single / 0.001, np.round(single / 0.001), atol=1e-6)


@pytest.mark.parametrize("kind", STATES)
def test_property_noted_current_has_the_sign_of_its_state(kind):
    shot = _read(kind)
    known = shot.current_a[~np.isnan(shot.current_a)]
    assert {"rest": (known == 0).all(), "discharge": (known >= 0).all(), "charge": (known <= 0).all()}[kind]
    if kind != "rest":
        assert 0.05 < np.isnan(shot.current_a).mean() < 0.11
        assert np.abs(known).max() <= 0.75 * FAMILY.peak_current_a
    assert 0.25 < np.isnan(shot.temperature_c).mean() < 0.35


@pytest.mark.parametrize("kind", STATES)
def test_parity_mean_reading_is_what_an_ideal_meter_reads(kind):
    shot = _read(kind, n=6000)
    known = ~np.isnan(shot.current_a)
    # At the mean current, 6 K warmer under load, and 6 % of the charge away from the centre of the swing.
    sign = {"rest": 0, "discharge": 1, "charge": -1}[kind]
    state = PackState.alike(FAMILY, 1)
    ideal = block_voltage_v(
        FAMILY, state, np.array([shot.current_a[known].mean()]), np.array([20.0 + 6 * abs(sign)]), -sign * 0.06 * 6.5
    )
    assert shot.block_v.mean() == pytest.approx(ideal[0, 0], abs=0.03)


def test_recovery_shares_of_faults():
    quality = MeterQuality(missing_channel=0.1, stuck_channel=0.2, swapped_leads=0.3)
    faults = VisitFaults.draw(quality, 14, 20_000, np.random.default_rng(1))
    # Binomial standard error 0.003.
    for found, share in ((faults.missing, 0.1), (faults.stuck, 0.2), (faults.swapped, 0.3)):
        assert (found >= 0).mean() == pytest.approx(share, abs=0.012)
    assert faults.swapped.max() == 12
    assert faults.missing.max() == 13


@pytest.mark.parametrize(
    ("field", "value"), [("missing_channel", 1.5), ("noise_factor", -1.0), ("wrong_clock", float("nan"))]
)
def test_property_impossible_meters_are_named(field, value):
    with pytest.raises(BadInput) as error:
        MeterQuality(**{field: value})
    assert error.value.problems[0].where == f"meters.{field}"
