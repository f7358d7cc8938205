"""What a charge leaves in a block: the charge that stays, the offset of its voltage, and the rise that is read."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v
from models.physics.driving import AH_PER_KM_PER_RATED_AH
from models.physics.pack_state import HYSTERESIS_AH_SHARE
from models.physics.self_discharge import arrhenius_factor
from models.topup.draws import last_z, log_near
from models.topup.evidence import BenchEvidence, EarlierCharge
from models.topup.possible_packs import PossiblePacks

NOTED_CHARGE_SD: Final = 0.05
"""How exactly a charge is noted, relatively. Invented."""

BEFORE_DRIVING_H: Final = 36.0
"""A rest reading this soon after a charge was most likely taken before the car drove again. Invented."""

RISE_SD_V: Final = 0.004
"""What the place of the string in its swing, and all else that is not weighed, adds to the error of a rise over a
charge, V per cell. The slopes of a published curve (NREL ADVISOR ESS_NIMH6) and `REST_OFFSET_SHARE` give 0.0025; the
rest by trial on simulated packs (tests/benchmarks/bench_topup_plan.py)."""


def hysteresis_share(stored_ah: Floats | float, capacity_ah: Floats) -> Floats:
    """Share of the way to its charge branch that a topped block has gone: in full after a tenth of its capacity."""
    return np.asarray(-np.expm1(-np.maximum(stored_ah, 0.0) / (0.1 * capacity_ah)))


def left_over_hysteresis(family: PackFamily, packs: PossiblePacks, evidence: BenchEvidence) -> Floats:
    """Offset that the last charge of this block has left, V per cell; it goes with use, not with rest."""
    if not evidence.earlier:
        return np.zeros(len(packs.weight))
    put_in = evidence.earlier[-1].topup.charge_ah or 0.2 * family.rated_ah
    share = hysteresis_share(put_in * stored_share(family), packs.block_ah)
    left = np.exp(-packs.driven_km * AH_PER_KM_PER_RATED_AH / HYSTERESIS_AH_SHARE)
    return np.asarray(family.hysteresis_charge_v * packs.hysteresis * share * left)


def stored_share(family: PackFamily) -> float:
    """Share of the charge put in that stays: topping charges end well below full."""
    return family.coulombic_efficiency


def rise_v(
    family: PackFamily, packs: PossiblePacks, before_soc: Floats, put_in_ah: Floats | float, wait_h: float
) -> Floats:
    """Work out the rise of the block's rest voltage over a charge, V, read before any driving. Shape (n,).

    Parameters
    ----------
    before_soc : array, shape (n,)
        Of the block before the charge.
    put_in_ah : float or array, shape (n,)
        From the supply.
    wait_h : float
        Hours between the end of the charge and the reading.
    """
    stored = put_in_ah * stored_share(family)
    rate = packs.leak_per_day * arrhenius_factor(packs.ambient_c, family.self_discharge_ev)
    # The first day after a charge goes about twice as fast (see models.physics.self_discharge).
    after_soc = (before_soc + stored / packs.block_ah) * np.exp(-1.6 * rate * wait_h / 24)
    own = family.hysteresis_charge_v * packs.hysteresis * hysteresis_share(stored, packs.block_ah)
    risen = packs.stretch * (ocv_v(family.curves, after_soc) - ocv_v(family.curves, before_soc))
    return np.asarray(packs.live_cells * (risen + own))


def explains_rise(
    family: PackFamily, packs: PossiblePacks, before_soc: Floats, earlier: EarlierCharge, noted_z: Floats
) -> Floats:
    """Log likelihood of the rise over a charge of this block; 0 where it cannot be told."""
    before, after, charge = earlier.before, earlier.after, earlier.topup.charge_ah
    if before is None or after is None or charge is None or earlier.wait_h > BEFORE_DRIVING_H:
        return np.zeros(len(packs.weight))
    expected = rise_v(family, packs, before_soc, charge * np.exp(NOTED_CHARGE_SD * noted_z), earlier.wait_h)
    sd = np.hypot(np.hypot(before.sd_v, after.sd_v), RISE_SD_V * family.cells_per_block)
    return log_near(after.deviation_v - before.deviation_v, expected, sd, family.cells_per_block)


def stored_ah(family: PackFamily, packs: PossiblePacks, noted_ah: float) -> Floats:
    """Return the charge that stays in the block of each possible pack, Ah, for a charge as noted. Shape (n,)."""
    return np.asarray(noted_ah * stored_share(family) * np.exp(NOTED_CHARGE_SD * last_z(len(packs.weight))))


def after_charge(family: PackFamily, packs: PossiblePacks, made: EarlierCharge) -> PossiblePacks:
    """Weigh packs, weighted by what was read before a charge, also by the rise over it.

    The packs still stand as before the charge.
    """
    log_weight = explains_rise(family, packs, packs.block_soc, made, last_z(len(packs.weight)))
    weight = packs.weight * np.exp(log_weight - log_weight.max())
    return replace(packs, weight=weight / weight.sum())


def charged(family: PackFamily, packs: PossiblePacks, noted_ah: float) -> PossiblePacks:
    """Move packs that stand as before a charge to where it left them."""
    return replace(packs, block_soc=packs.block_soc + stored_ah(family, packs, noted_ah) / packs.block_ah)
