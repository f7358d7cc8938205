"""Possible packs behind the readings of a weak block: some thousands, each weighted by how well it explains them.

Even draws are pushed through the priors (`prior`); what a reading fixes is drawn from the reading (`block_readings`).
The weights then carry the priors, the reading under charge, and the rise over earlier charges with hysteresis taken out
(`charge_rise`). What no reading shows keeps the spread of its prior: how steep the curve of this pack is, and a block's
capacity, unless the string was drawn down by a known charge between two rest readings (`draw_down_likelihood`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v, soc_from_rest
from models.topup.block_readings import Load, with_charge, with_resistance
from models.topup.charge_rise import explains_rise
from models.topup.draw_down_likelihood import explains_draw_down
from models.topup.draws import Draws, log_normal, normalised, tempered
from models.topup.evidence import BenchEvidence
from models.topup.possible_packs import CAUSE_SHARES, CAUSES, NO_CODE_SHARES, PossiblePacks
from models.topup.prior import REST_OFFSET_SHARE, prior_packs
from models.topup.trip_spread import TripSpread

CAUSE_POWER: Final = 0.5
"""How far readings may move the odds of the causes from their shares: by this power of what they say. Chosen on 100
drawn worlds, where readings say half as much of the cause as in one known world (tests/studies/decisions.md)."""

LEVEL_SD_SHARE: Final = 0.018
"""Charge of a sound block relative to level: standard deviation, of rated capacity. Invented."""

ANYWHERE_BELOW: Final = (-0.9, 0.1)
"""Range of the state of charge of a weak block relative to its peers'. Invented."""

EXPONENT: Final = 13
DRAWN_EXPONENT: Final = 15
"""2 to this power possible packs are weighed, and where a draw-down leaves few of them any weight."""


def possible_packs(family: PackFamily, evidence: BenchEvidence) -> PossiblePacks:
    """Weigh possible packs by what was read."""
    draw = Draws(EXPONENT if evidence.drawn is None else DRAWN_EXPONENT)
    packs, centre, log_weight = prior_packs(family, evidence, draw)
    packs, log_ratio = with_charge(family, packs, evidence, draw)
    log_weight = log_weight + log_ratio
    worn = np.where(packs.of("lost capacity"), draw.uniform(1.0, 1.1), 1.0)
    discharge = None if evidence.discharge is None else Load(family, packs, evidence.discharge, evidence, draw)
    packs, log_ratio = with_resistance(packs, worn, discharge, draw)
    log_weight = log_weight + log_ratio

    style, warmer, overshoot, excess = draw.factor(0.14), draw.uniform(3.0, 12.0), draw.uniform(), draw.uniform()
    block_centre = packs.block_soc - packs.offset_ah / packs.block_ah
    trip = TripSpread(
        family,
        centre,
        packs.peer_ah,
        packs.peer_scale,
        packs.block_ah,
        packs.block_scale,
        style,
        packs.ambient_c + warmer,
        packs.stretch,
    )
    # Anywhere below its peers, down to cells that are empty throughout, or somewhat above: where the code was confirmed
    # says no more, for monitors, and how long a car was driven on, differ too much (tests/studies/decisions.md).
    inside = (block_centre < centre + ANYWHERE_BELOW[1]) & (block_centre > centre + ANYWHERE_BELOW[0])
    log_low = np.where(inside, -np.log(ANYWHERE_BELOW[1] - ANYWHERE_BELOW[0]), -np.inf)
    log_level = log_normal(block_centre - centre, LEVEL_SD_SHARE * family.rated_ah / packs.block_ah)
    log_weight = log_weight + np.where(packs.of("low charge") | packs.of("lost capacity"), log_low, log_level)
    joint = np.where(
        packs.of("joint"), (1.03 + 0.77 * excess) * trip.joint_mohm_at(1 + 0.2 * overshoot, block_centre), 0
    )
    packs = replace(packs, joint_mohm=joint)
    if discharge is not None:
        log_weight = log_weight + np.where(packs.of("joint"), discharge.log_likelihood(packs), 0.0)
    if evidence.charge is not None:
        log_weight = log_weight + Load(family, packs, evidence.charge, evidence, draw).log_likelihood(packs)
    for earlier in evidence.earlier[-2:]:
        noted_z = draw.normal()
        if earlier.before is not None:
            live = np.maximum(packs.live_cells, 0.5)
            then_v = ocv_v(family.curves, packs.peer_soc) + earlier.before.deviation_v / live / packs.stretch
            then_soc = soc_from_rest(family.curves, then_v)
            log_weight = log_weight + explains_rise(family, packs, then_soc, earlier, noted_z)
    log_weight = _doubting_causes(packs, log_weight, evidence)
    if evidence.drawn is not None:
        noted = evidence.drawn
        drawn_ah = np.maximum(draw.normal(noted.drawn_ah, noted.sd_ah), 0.3 * noted.drawn_ah)
        # A rest reading taken later found the string at another place of its swing.
        moved_ah = draw.normal(0.0, family.rated_ah * REST_OFFSET_SHARE * 2**0.5)
        told = explains_draw_down(family, packs, evidence, noted, drawn_ah, moved_ah)
        log_weight = tempered(log_weight, told)
    return replace(packs, weight=normalised(log_weight))


def _doubting_causes(packs: PossiblePacks, log_weight: Floats, evidence: BenchEvidence) -> Floats:
    """Weigh the causes again, each by less than readings say of it (`CAUSE_POWER`); within a cause nothing changes."""
    shares = CAUSE_SHARES if evidence.tripped else NO_CODE_SHARES
    told = np.bincount(packs.cause, normalised(log_weight), len(CAUSES))
    prior = np.array([shares[name] for name in CAUSES])
    factor = np.divide(prior, told, out=np.zeros(len(CAUSES)), where=told > 0) ** (1 - CAUSE_POWER)
    return np.asarray(log_weight + np.log(np.maximum(factor, 1e-300))[packs.cause])
