"""A block's readings at rest and under load, as each possible pack would show them.

What a reading fixes is drawn from it: the state of charge from the rest deviation, the resistance from the deviation
under discharge. The weights then carry the prior.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v, resistance_mohm
from models.topup.charge_rise import left_over_hysteresis
from models.topup.draws import OUTLIER_SHARE, Draws, log_near, log_normal
from models.topup.evidence import CURRENT_SD_A, BenchEvidence, BlockSnapshot
from models.topup.possible_packs import PossiblePacks, open_v
from models.topup.prior import REST_OFFSET_SHARE

RESISTANCE_SD: Final = 0.05
"""Resistance of a block relative to its pack: standard deviation of the logarithm. Invented."""

LOAD_SWING_SHARE: Final = (0.02, 0.1)
"""How far the string is drawn below its centre (or lifted above it) when it is read under load: range, of rated
capacity. Invented."""

ANYWHERE: Final = (-0.3, 1.1)
BY_READING: Final = 0.85
"""Range of a block's state of charge; share of the possible packs drawn from a reading, the others from the prior."""

METER_NOISE_SD: Final = 0.7
"""How much workshops differ in the noise of their meters: standard deviation of the logarithm. Invented; as simulated
worlds differ (`training.simulation.world`)."""

CHANNELS_APART: Final = 0.5
CHANNEL_SD_V: Final = 0.012
CHANNEL_SD: Final = 0.6
"""Share of workshops whose channels have errors of their own, that error on a 12-cell block, and how much workshops
differ in it (standard deviation of the logarithm). Invented; as simulated worlds differ."""


def with_charge(
    family: PackFamily, packs: PossiblePacks, evidence: BenchEvidence, draw: Draws
) -> tuple[PossiblePacks, Floats]:
    """Draw the block's state of charge: mostly where the rest reading puts it, for the rest anywhere.

    Returns the packs and the log of the likelihood of the rest reading over the density drawn from.
    """
    which, where, meter_z = draw.uniform(), draw.uniform(*ANYWHERE), draw.normal()
    noise, apart, channel = draw.factor(METER_NOISE_SD), draw.uniform() < CHANNELS_APART, draw.factor(CHANNEL_SD)
    log_wide = -np.log(ANYWHERE[1] - ANYWHERE[0])
    shot = evidence.rest
    if shot is None:
        return replace(packs, block_soc=where), np.full(len(where), -log_wide)
    cells, live = family.cells_per_block, np.maximum(packs.live_cells, 0.5)
    sd_v = np.hypot(shot.sd_v * noise, np.where(apart, CHANNEL_SD_V * channel * np.sqrt(cells / 12), 0.0))
    peer_v = cells * open_v(family, packs.stretch, packs.peer_soc)
    own = left_over_hysteresis(family, packs, evidence)
    soc = np.linspace(*ANYWHERE, 1401)
    curve_v, middle_v = ocv_v(family.curves, soc), float(ocv_v(family.curves, np.array([family.soc_target]))[0])
    read_v = (peer_v + shot.deviation_v + sd_v * meter_z) / live - own
    read = np.interp(middle_v + (read_v - middle_v) / packs.stretch, curve_v, soc)
    block = np.where(which < BY_READING, read, where)
    expected = packs.live_cells * (open_v(family, packs.stretch, block) + own) - peer_v
    slope = np.maximum(live * packs.stretch * np.interp(block, soc, np.gradient(curve_v, soc)), 1e-9)
    by_reading = log_normal(shot.deviation_v - expected, sd_v) + np.log(slope)
    drawn = np.logaddexp(np.log(BY_READING) + by_reading, np.log1p(-BY_READING) + log_wide)
    return replace(packs, block_soc=block), log_near(shot.deviation_v, expected, sd_v, cells) - drawn


def rest_set_aside(family: PackFamily, packs: PossiblePacks, evidence: BenchEvidence) -> float:
    """Probability that the rest reading says nothing of the block: the other evidence outweighs it."""
    shot = evidence.rest
    if shot is None:
        return 0.0
    own = left_over_hysteresis(family, packs, evidence)
    peer_v = family.cells_per_block * open_v(family, packs.stretch, packs.peer_soc)
    expected = packs.live_cells * (open_v(family, packs.stretch, packs.block_soc) + own) - peer_v
    fits = log_normal(shot.deviation_v - expected, shot.sd_v)
    says_nothing = OUTLIER_SHARE / (2.0 * family.cells_per_block)
    aside = says_nothing / (says_nothing + (1 - OUTLIER_SHARE) * np.exp(fits))
    return float((packs.weight * aside).sum())


class Load:
    """A reading under discharge or charge, as each possible pack would show it."""

    def __init__(
        self, family: PackFamily, packs: PossiblePacks, shot: BlockSnapshot, evidence: BenchEvidence, draw: Draws
    ) -> None:
        self.shot, self.cells = shot, family.cells_per_block
        charging = shot.state == "charge"
        sign, (low, high) = (-1.0, (0.15, 0.4)) if charging else (1.0, (0.25, 0.7))
        amps_u, offset_z, warm_z = draw.uniform(), draw.normal(), draw.normal()
        # Read at another place of the swing than the rest reading.
        swing = family.rated_ah * (REST_OFFSET_SHARE * offset_z - sign * draw.uniform(*LOAD_SWING_SHARE))
        moved = swing - packs.offset_ah
        self.amps = (
            sign * family.peak_current_a * (low + (high - low) * amps_u)
            if shot.current_a is None or shot.current_a == 0
            else np.full(len(moved), shot.current_a)
        )
        warm_c = packs.ambient_c + 6.0 if shot.temperature_c is None else shot.temperature_c
        warm = np.exp(family.resistance_per_k * (warm_c + 1.5 * warm_z - 25.0))
        block_soc, peer_soc = packs.block_soc + moved / packs.block_ah, packs.peer_soc + moved / packs.peer_ah
        curves = family.curves
        own = 0.0 if charging else left_over_hysteresis(family, packs, evidence)
        block_v, peer_v = open_v(family, packs.stretch, block_soc), open_v(family, packs.stretch, peer_soc)
        self.open_v = packs.live_cells * (block_v + own) - self.cells * peer_v
        ohm = 1e-3 * self.cells * warm
        self.per_scale_ohm = ohm * resistance_mohm(curves, block_soc, charging=charging)
        self.peer_ohm = ohm * resistance_mohm(curves, peer_soc, charging=charging) * packs.peer_scale
        # The block's own resistance is known to some tenths, which the error of the current multiplies.
        self.sd_v = np.hypot(shot.sd_v, CURRENT_SD_A * 0.15 * self.peer_ohm)

    def expected_v(self, block_scale: Floats, joint_mohm: Floats) -> Floats:
        """Deviation of the block, V."""
        excess_ohm = self.per_scale_ohm * block_scale + 1e-3 * joint_mohm - self.peer_ohm
        return np.asarray(self.open_v - self.amps * excess_ohm)

    def log_likelihood(self, packs: PossiblePacks) -> Floats:
        """Log likelihood of the reading in each pack."""
        expected = self.expected_v(packs.block_scale, packs.joint_mohm)
        return log_near(self.shot.deviation_v, expected, self.sd_v, self.cells)

    def scale_read(self, noise_z: Floats) -> Floats:
        """Resistance of the block at which it would have been read, but for the meter's noise; without a joint."""
        left = self.open_v - self.shot.deviation_v - self.sd_v * noise_z
        return np.asarray((left / self.amps + self.peer_ohm) / self.per_scale_ohm)


def with_resistance(packs: PossiblePacks, worn: Floats, load: Load | None, draw: Draws) -> tuple[PossiblePacks, Floats]:
    """Draw the block's resistance: mostly where the discharge reading puts it, for the rest from its prior.

    Returns the packs and the log of prior and likelihood over the density drawn from. A bad joint's resistance is not
    the cells', so there the prior is drawn from and the reading still to be weighed.
    """
    which, own, noise_z = draw.uniform(), draw.factor(RESISTANCE_SD), draw.normal()
    usual = packs.peer_scale * worn
    if load is None:
        return replace(packs, block_scale=usual * own), np.zeros(len(own))
    joint = packs.of("joint")
    by_reading = (which < BY_READING) & ~joint
    scale = np.where(by_reading, load.scale_read(noise_z), usual * own)
    possible = scale > 0.2 * usual
    scale = np.where(possible, scale, 0.2 * usual)
    log_prior = log_normal(np.log(scale / usual), RESISTANCE_SD) - np.log(scale)
    expected = load.expected_v(scale, np.zeros(len(scale)))
    slope = np.abs(load.amps) * load.per_scale_ohm
    drawn = np.logaddexp(
        np.log(BY_READING) + log_normal(load.shot.deviation_v - expected, load.sd_v) + np.log(slope),
        np.log1p(-BY_READING) + log_prior,
    )
    likely = log_near(load.shot.deviation_v, expected, load.sd_v, load.cells)
    log_ratio = np.where(joint, 0.0, np.where(possible, log_prior + likely - drawn, -np.inf))
    return replace(packs, block_scale=scale), log_ratio
