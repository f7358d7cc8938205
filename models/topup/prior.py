"""Possible packs before anything of the block is read."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.stats import gamma

from models.base.arrays import Floats
from models.packs.family import PackFamily
from models.topup.draws import Draws
from models.topup.evidence import BenchEvidence, days_between
from models.topup.possible_packs import CAUSE_SHARES, CAUSES, NO_CODE_SHARES, PossiblePacks

_DRAWN_SHARES: Final = (0.4, 0.34, 0.12, 0.05, 0.09)
"""How often each is drawn: rare ones more often than they occur, with less weight."""

NEW_CAPACITY_SHARE: Final = 5.995 / 6.5
"""Measured over rated capacity of a nickel-metal hydride pack (NREL ADVISOR ESS_NIMH6, five discharges)."""

FADE_PER_YEAR: Final = 0.013
RESISTANCE_PER_YEAR: Final = 0.07
"""Relative loss of capacity in a year (invented) and rise of resistance: 1.5 to 2.5 times new at the end of life (from
memory, unverified)."""

FADED_CAPACITY: Final = (0.6, 0.74)
SOUND_CAPACITY: Final = 0.99
CAPACITY_SD: Final = 0.022
"""Capacity of a faded block relative to its peers, that of any other, and the standard deviation of the logarithm of
both. Invented."""

USUAL_SHORTFALL: Final = (0.3, 0.12)
"""State of charge by which a block with low charge, and a faded one, usually trail their peers at the fault. Derived
from the monitor's limits of the shipped families; only its small effect on the peers' own state matters."""

REST_OFFSET_SHARE: Final = 0.035
"""Where the string stands around its centre at a rest reading: standard deviation, of rated capacity. Invented."""

CURVE_SLOPE_SD: Final = 0.25
HYSTERESIS_SD: Final = 0.4
CENTRE_SHIFT_SD: Final = 0.04
"""What workshops differ in and no reading tells: slope of the open-circuit curve and offset left by a charge relative
to the family's (standard deviations of the logarithm), and how far a controller's centre lies off (share of charge).
Invented; as simulated worlds differ (`training.simulation.world`)."""


def prior_packs(family: PackFamily, evidence: BenchEvidence, draw: Draws) -> tuple[PossiblePacks, Floats, Floats]:
    """Draw packs; return them, the state of charge of the peers at the centre of the swing, and log weights."""
    drawn = np.array(_DRAWN_SHARES)
    cause = np.searchsorted(np.cumsum(drawn)[:-1], draw.uniform()).astype(np.intp)
    shares = CAUSE_SHARES if evidence.tripped else NO_CODE_SHARES
    log_weight = np.log(np.array([shares[name] for name in CAUSES]) / drawn)[cause]
    low, faded, shorted = (cause == CAUSES.index(name) for name in ("low charge", "lost capacity", "shorted cell"))
    age_u = draw.uniform()
    # Without an age, that of packs that come in: gamma, shape 6, scale 1.5 years (invented).
    age = np.clip(gamma.ppf(age_u, 6.0, scale=1.5), 1.5, 20.0) if evidence.age_years is None else evidence.age_years
    new = NEW_CAPACITY_SHARE if family.chemistry == "nimh" else 1.0
    health = np.clip(1 - FADE_PER_YEAR * age + draw.normal(0.0, 0.03), 0.6, 1.02)
    peer_ah = family.rated_ah * new * health
    block_ah = peer_ah * np.where(faded, draw.uniform(*FADED_CAPACITY), SOUND_CAPACITY) * draw.factor(CAPACITY_SD)
    # The controller holds the average at its target: the lower one block, the higher its peers.
    usual = np.select([low, faded], USUAL_SHORTFALL, 0.0) / family.blocks
    centre = family.soc_target + usual + draw.normal(0.0, float(np.hypot(0.02, CENTRE_SHIFT_SD)))
    offset = family.rated_ah * draw.normal(0.0, REST_OFFSET_SHARE)
    peer_soc = centre + offset / peer_ah
    peer_scale = np.broadcast_to(np.asarray(1 + RESISTANCE_PER_YEAR * age, dtype=np.float64), cause.shape)
    ambient_z, km_factor = draw.normal(), draw.factor(0.5)
    driven = np.zeros(len(cause))
    if evidence.earlier and evidence.rest is not None:
        days = days_between(evidence.earlier[-1].topup.time, evidence.rest.time)
        km = 38.0 if evidence.km_per_day is None else evidence.km_per_day
        driven = max(days - 1.2, 0.3) * km * km_factor
    packs = PossiblePacks(
        cause=cause,
        peer_soc=peer_soc,
        block_soc=peer_soc,
        offset_ah=offset,
        peer_ah=peer_ah,
        block_ah=block_ah,
        peer_scale=peer_scale,
        block_scale=peer_scale,
        joint_mohm=np.zeros(len(cause)),
        live_cells=np.where(shorted, family.cells_per_block - 1.0, float(family.cells_per_block)),
        leak_per_day=np.where(low, 0.065 * draw.factor(0.42), 0.006 * draw.factor(0.3)),
        stretch=draw.factor(CURVE_SLOPE_SD),
        hysteresis=draw.factor(HYSTERESIS_SD),
        ambient_c=17.0 + 10.0 * ambient_z if evidence.ambient_c is None else evidence.ambient_c + 1.5 * ambient_z,
        driven_km=driven,
        weight=np.full(len(cause), 1 / len(cause)),
    )
    return packs, centre, log_weight
