import numpy as np
import pytest

from models.base.errors import BadInput
from models.physics.cell_curves import ocv_v
from models.physics.pack_state import PackState
from training.files.families import load_families
from training.simulation.workshop import WorkshopHabits, believed_weak, charge_block

FAMILIES = load_families()
FAMILY = FAMILIES["marl-28"]
NONE = np.full(14, np.nan)


def _with(low, at, level=15.4):
    volts = np.full(14, level)
    volts[at] -= low
    return volts


@pytest.mark.parametrize(
    ("rest", "load", "block"),
    [
        (_with(0.3, 5), _with(0.0, 0, 14.0), 5),
        (NONE, _with(1.1, 7, 14.0), 7),
        (_with(0.25, 2), NONE, 2),
        # A little low at rest, far down under load on another: the load says more.
        (_with(0.05, 2), _with(1.1, 9, 14.0), 9),
        # Far down at rest, a little under load on another: the rest says more.
        (_with(0.3, 2), _with(0.2, 9, 14.0), 2),
        (np.where(np.arange(14) == 3, np.nan, _with(0.3, 6)), NONE, 6),
    ],
)
def test_property_block_believed_weak(rest, load, block):
    assert believed_weak(rest[None], load[None], FAMILY)[0] == block


def _charge(family, n=3000, missing=0.25, apparent=0.25, seed=0):
    state = PackState.alike(family, n)
    state.charge_ah[:, 1] -= np.float32(missing * family.rated_ah)
    block = np.full(n, 1)
    return state, charge_block(
        family, state, block, np.full(n, apparent), np.full(n, 20.0), np.random.default_rng(seed)
    )


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda f: f.name)
def test_property_charges_stay_inside_the_block_and_its_window(family):
    state, done = _charge(family)
    after = (state.charge_ah[:, 1] + done.stored_ah) / state.capacity_ah[:, 1]
    assert done.stored_ah.min() > 0
    # No further up than its window, and nowhere near being called out for standing above the others.
    assert after.max() <= family.soc_high + 1e-6
    above = family.cells_per_block * (ocv_v(family.curves, after) - ocv_v(family.curves, np.array([family.soc_target])))
    assert above.max() < 0.6 * family.charge_spread_limit_v
    # About C/10: common practice, no source.
    rate = done.stored_ah / done.hours / family.rated_ah
    assert rate.min() > 0.9 / 12.5
    assert rate.max() < 1 / 7.5


def test_recovery_what_is_noted_is_what_went_in_with_an_error_of_a_twentieth():
    _, done = _charge(FAMILY)
    known = ~np.isnan(done.charge_ah)
    assert known.mean() == pytest.approx(0.88, abs=0.03)
    # More goes in than stays (0.975 to 0.99 away from full charge, NiMH files of NREL ADVISOR).
    ratio = done.stored_ah[known] / done.charge_ah[known]
    assert np.median(ratio) == pytest.approx(0.98, abs=0.01)
    assert np.std(np.log(ratio)) == pytest.approx(0.05, abs=0.012)
    rate = done.charge_ah / done.duration_h
    assert np.nanmedian(rate) == pytest.approx(0.65, rel=0.1)


def test_property_end_voltage_stands_above_rest_but_below_the_limit_of_the_cells():
    _, done = _charge(FAMILY)
    assert np.nanmin(done.end_v) > 12 * 1.29
    assert np.nanmax(done.end_v) < 12 * FAMILY.max_cell_v


def test_property_technicians_who_stop_when_it_looks_level_stop_too_early():
    # A quarter missing on a 12-cell block shows as about 0.25 V; a third of the charges leave it short.
    _, done = _charge(FAMILY, missing=0.3, apparent=0.27)
    share = done.stored_ah / (0.3 * FAMILY.rated_ah)
    assert 0.2 < (share < 0.9).mean() < 0.7
    assert (share > 1.0).mean() > 0.2


def test_property_the_state_is_left_to_the_caller():
    state, _ = _charge(FAMILY, n=5)
    assert (state.charge_ah[:, 1] == np.float32(0.6 * 6.5) - np.float32(0.25 * 6.5)).all()


@pytest.mark.parametrize(
    ("field", "value"),
    [("orders_pack", -0.1), ("lead_time_days", -1.0), ("max_topups", 0), ("thin_share", float("nan"))],
)
def test_property_impossible_habits_are_named(field, value):
    with pytest.raises(BadInput) as error:
        WorkshopHabits(**{field: value})
    assert error.value.problems[0].where == f"habits.{field}"
