"""Simulated return days against closed forms: exponential leak, steady loss, and the inverse Gaussian law."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import invgauss, kstwo

from models.physics.cell_curves import CurveLookup
from models.physics.day_step import DayDraws, run_day
from models.physics.driving import day_use
from models.physics.monitor import MonitorDraws
from models.physics.pack_state import PackState
from training.files.families import load_families

FAMILIES = load_families()
FAMILY = FAMILIES["marl-28"].model_copy(update={"blocks": 3})
"""Three blocks of the published cells: with the same differences between blocks as in a longer string."""

CGK = 0.5826
"""-zeta(1/2)/sqrt(2π): Broadie, Glasserman & Kou 1997, Mathematical Finance 7, 325-349. A barrier seen once a step
acts like one that lies this many standard deviations of a step further off."""


def _use(n, family=FAMILY):
    def each(value):
        return np.full(n, value, dtype=np.float32)

    return day_use(family, each(40), np.full(n, 2), each(18), each(1), each(0))


def _draws(n, wander=None):
    """Every trip of severity 1 and monitored, the controller without error: two detections confirm on the day."""
    zero = np.zeros((n, 10), dtype=np.float32)
    noise = np.zeros((n, FAMILY.blocks), dtype=np.float32) if wander is None else wander
    return DayDraws(noise, np.zeros(n, dtype=np.float32), MonitorDraws(zero, zero), np.ones(n, dtype=np.float32))


def _return_days(state, horizon, rng=None, family=FAMILY):
    """Run packs from day to day; the noise, if any, is on block 0 alone."""
    lookup, alive = CurveLookup.of(family.curves), np.arange(state.packs)
    found = np.full(state.packs, np.inf)
    for day in range(1, horizon + 1):
        n = len(alive)
        wander = np.zeros((n, family.blocks), dtype=np.float32)
        if rng is not None:
            wander[:, 0] = rng.standard_normal(n)
        confirmed, _ = run_day(family, lookup, state, _use(n, family), _draws(n, wander))
        found[alive[confirmed]] = day
        if confirmed.any():
            alive, state = alive[~confirmed], state.take(~confirmed)
        if not len(alive):
            break
    return found


def _critical_ah(family=FAMILY):
    """Missing charge at which the spread is the limit, from the published table by scipy alone."""
    use, curves, b = _use(1, family), family.curves, family.blocks
    amps, depth = float(use.peak_a[0]), float(use.depth_ah[0])
    warm = np.exp(family.resistance_per_k * (float(use.driving_c[0]) - 25))

    def volts(charge):
        soc = (charge - depth) / family.rated_ah
        ocv = np.interp(soc, curves.soc, curves.ocv_v) + 3.0 * min(soc, 0)
        ohm = 1e-3 * np.interp(soc, curves.soc, curves.discharge_mohm) * warm * (1 + 4.0 * max(-soc, 0))
        return family.cells_per_block * (ocv - amps * ohm)

    target = family.soc_target * family.rated_ah

    def excess(missing):
        return volts(target + missing / b) - volts(target - missing * (b - 1) / b) - family.discharge_spread_limit_v

    return brentq(excess, 0, target)


@pytest.mark.parametrize("name", ["marl-28", "loess-28", "chert-30"])
@pytest.mark.parametrize("loss_ah", [0.02, 0.05, 0.11])
def test_reference_steady_loss_returns_on_the_day_of_the_straight_line(name, loss_ah):
    family = FAMILIES[name].model_copy(update={"blocks": 3})
    state = PackState.alike(family, 1)
    state.leak_per_day[:] = 0
    state.loss_per_ah[0, 0] = loss_ah / float(_use(1, family).cycled_ah[0])
    expected = int(np.ceil(_critical_ah(family) / loss_ah))
    assert abs(_return_days(state, 400, family=family)[0] - expected) <= 1


@pytest.mark.parametrize("leak", [0.008, 0.02, 0.06])
def test_reference_exponential_leak_returns_on_the_day_of_the_closed_form(leak):
    # The block loses a share 1 - exp(-leak) a day; the controller gives every block 1/b of that back.
    state = PackState.alike(FAMILY, 1)
    state.leak_per_day[:] = 0
    use, b = _use(1), FAMILY.blocks
    factor = float(np.exp(-FAMILY.self_discharge_ev / 8.617e-5 * (1 / (float(use.driving_c[0]) + 273.16) - 1 / 298.16)))
    cold = float(np.exp(-FAMILY.self_discharge_ev / 8.617e-5 * (1 / (18 + 273.16) - 1 / 298.16)))
    share = float(use.driving_share[0])
    rate = leak * (share * factor + (1 - share) * cold)
    state.leak_per_day[0, 0] = leak
    kept = 1 - (1 - np.exp(-rate)) * (1 - 1 / b)
    level = FAMILY.soc_target * FAMILY.rated_ah
    lowest = level - _critical_ah() * (b - 1) / b
    expected = int(np.ceil(np.log(lowest / level) / np.log(kept)))
    assert abs(_return_days(state, 500)[0] - expected) <= 1


def _wandering(n, seed, *, drift=0.018, sd=0.06):
    state = PackState.alike(FAMILY, n)
    state.leak_per_day[:] = 0
    state.loss_per_ah[:, 0] = drift / float(_use(1).cycled_ah[0])
    state.wander_ah[:] = sd
    return _return_days(state, 900, np.random.default_rng(seed))


def _distance(days, drift=0.018, sd=0.06, corrected=True):
    """Largest distance between the empirical law and the inverse Gaussian at whole days."""
    barrier = _critical_ah() + (CGK * sd if corrected else 0)
    mean, shape = barrier / drift, barrier**2 / sd**2
    at = np.arange(1, 901)
    observed = np.searchsorted(np.sort(days), at, side="right") / len(days)
    return float(np.abs(observed - invgauss.cdf(at, mean / shape, scale=shape)).max())


PACKS = 1500
LEVEL = 0.05
"""Ten seeds are tested at once: each at a tenth of this level (Bonferroni). Days are whole, so the distance is taken at
whole days only; how well the test tells laws apart even so is tested below."""


@pytest.fixture(scope="module")
def runs():
    return {seed: _wandering(PACKS, seed) for seed in range(10)}


def test_recovery_return_days_follow_the_inverse_gaussian_law(runs):
    limit = kstwo.isf(LEVEL / 10, PACKS)
    found = {seed: _distance(days) for seed, days in runs.items()}
    assert all(np.isfinite(days).all() for days in runs.values())
    assert max(found.values()) < limit, found


def test_recovery_the_same_test_notices_a_drift_that_is_a_tenth_off_and_a_missing_correction(runs):
    limit = kstwo.isf(LEVEL / 10, PACKS)
    assert min(_distance(days, drift=0.0198) for days in runs.values()) > limit
    # All seeds together have the power to tell the corrected barrier from the plain one.
    together = np.concatenate(list(runs.values()))
    assert _distance(together) < kstwo.isf(LEVEL, len(together))
    assert _distance(together, corrected=False) > kstwo.isf(LEVEL, len(together))


def test_recovery_mean_and_variance_of_the_return_day(runs):
    # Wald's identity: mean a/μ, variance a σ²/μ³, for the corrected barrier.
    barrier = _critical_ah() + CGK * 0.06
    together = np.concatenate(list(runs.values()))
    mean, variance = barrier / 0.018, barrier * 0.06**2 / 0.018**3
    assert together.mean() == pytest.approx(mean, abs=4 * np.sqrt(variance / len(together)) + 0.5)
    assert together.var() == pytest.approx(variance, rel=0.06)
