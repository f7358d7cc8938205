"""Possible packs behind the readings of a weak block: some thousands, each weighted by how well it explains them.

An even set of points (a Sobol sequence, so that the same readings always give the same answer) is pushed through the
priors below. What a reading fixes is drawn from the reading: the block's state of charge from its rest deviation, its
resistance from its deviation under discharge (Robert & Casella, Monte Carlo Statistical Methods, importance sampling;
from memory, unverified). The weights then carry the priors, the reading under charge, and the rise over earlier charges
with hysteresis taken out. What no reading shows keeps the spread of its prior: how steep the curve of this pack is, and
a block's capacity, unless the string was drawn down by a known charge between two rest readings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import gamma
from scipy.stats.qmc import Sobol

from models.base.arrays import Floats
from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v, resistance_mohm, soc_from_rest
from models.physics.driving import AH_PER_KM_PER_RATED_AH
from models.physics.pack_state import HYSTERESIS_AH_SHARE
from models.physics.self_discharge import arrhenius_factor
from models.topup.evidence import CURRENT_SD_A, BenchEvidence, BlockSnapshot, DrawnDown, EarlierCharge, days_between
from models.topup.trip_spread import TripSpread

Cause = Literal["low charge", "lost capacity", "joint", "shorted cell", "sound"]

CAUSES: Final[tuple[Cause, ...]] = ("low charge", "lost capacity", "joint", "shorted cell", "sound")
CAUSE_SHARES: Final[Mapping[Cause, float]] = {
    "low charge": 0.61,
    "lost capacity": 0.25,
    "joint": 0.11,
    "shorted cell": 0.015,
    "sound": 0.015,
}
"""What is the matter with a block that stands out, before anything is read. Invented."""

NO_CODE_SHARES: Final[Mapping[Cause, float]] = {
    "low charge": 0.305,
    "lost capacity": 0.125,
    "joint": 0.055,
    "shorted cell": 0.0075,
    "sound": 0.5075,
}
"""The same where no fault code stands, as after a charge: half of such blocks want nothing. Invented."""

CAUSE_POWER: Final = 0.5
"""How far readings may move the odds of the causes from their shares: by this power of what they say. Chosen on 100
drawn worlds, where readings say half as much of the cause as in one known world (tests/studies/decisions.md)."""

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

LEVEL_SD_SHARE: Final = 0.018
"""Charge of a sound block relative to level: standard deviation, of rated capacity. Invented."""

RESISTANCE_SD: Final = 0.05
"""Resistance of a block relative to its pack: standard deviation of the logarithm. Invented."""

REST_OFFSET_SHARE: Final = 0.035
LOAD_SWING_SHARE: Final = (0.02, 0.1)
"""Where the string stands around its centre when it is read: standard deviation at rest, and range drawn below (or
lifted above) it under load, of rated capacity. Invented."""

OUTLIER_SHARE: Final = 0.03
"""Share of readings that say nothing: a stuck channel, swapped leads, a slip of the pen. Invented."""

ANYWHERE: Final = (-0.3, 1.1)
BY_READING: Final = 0.85
"""Range of a block's state of charge; share of the possible packs drawn from a reading, the others from the prior."""

ANYWHERE_BELOW: Final = (-0.9, 0.1)
"""Range of the state of charge of a weak block relative to its peers'. Invented."""

NOTED_CHARGE_SD: Final = 0.05
"""How exactly a charge is noted, relatively. Invented."""

BEFORE_DRIVING_H: Final = 36.0
"""A rest reading this soon after a charge was most likely taken before the car drove again. Invented."""

RISE_SD_V: Final = 0.004
"""What the place of the string in its swing, and all else that is not weighed, adds to the error of a rise over a
charge, V per cell. The slopes of a published curve (NREL ADVISOR ESS_NIMH6) and `REST_OFFSET_SHARE` give 0.0025; the
rest by trial on simulated packs (tests/benchmarks/bench_topup_plan.py)."""

EXPONENT: Final = 13
DRAWN_EXPONENT: Final = 15
"""2 to this power possible packs are weighed, and where a draw-down leaves few of them any weight."""

CURVE_SLOPE_SD: Final = 0.25
HYSTERESIS_SD: Final = 0.4
CENTRE_SHIFT_SD: Final = 0.04
METER_NOISE_SD: Final = 0.7
"""What workshops differ in and no reading tells: slope of the open-circuit curve and offset left by a charge relative
to the family's (standard deviations of the logarithm), how far a controller's centre lies off (share of charge), and
noise of meters (of the logarithm). Invented; as simulated worlds differ (`training.simulation.world`)."""

CHANNELS_APART: Final = 0.5
CHANNEL_SD_V: Final = 0.012
CHANNEL_SD: Final = 0.6
"""Share of workshops whose channels have errors of their own, that error on a 12-cell block, and how much workshops
differ in it (standard deviation of the logarithm). Invented; as simulated worlds differ."""

RELAXED_SD_V: Final = 0.002
"""What a load has left of itself in a block's voltage an hour after it, beyond what its peers show too, and all else
that is not weighed, V per cell. Invented; the simulated workshops leave half of it."""

LEAST_CARRYING: Final = 64
TEMPERING: Final = (1.0, 0.7, 0.5, 0.35, 0.25, 0.18, 0.12)
"""A draw-down is a sharp reading: where fewer possible packs than this would carry its weight (Kish's effective sample
size), its likelihood counts by the first of these powers with which more do. Our choice."""

_COLUMNS: Final = 46
"""Quantities drawn for each; the last is the error of the charge that is looked back on."""


@dataclass(frozen=True)
class PossiblePacks:
    """The weak block and its peers in each of n possible packs, with their weights. Arrays of shape (n,).

    Attributes
    ----------
    cause : int array
        Place in `CAUSES`.
    peer_soc, block_soc : array
        State of charge at the moment of the rest reading, as shares.
    offset_ah : array
        Charge of that moment relative to the centre of the swing, common to the string.
    peer_ah, block_ah : array
        Capacity, Ah.
    peer_scale, block_scale : array
        Resistance relative to the family's curve.
    joint_mohm : array
    live_cells : array
    leak_per_day : array
        At 25 °C.
    stretch : array
        Slope of the open-circuit curve relative to the family's, around the target.
    hysteresis : array
        Offset left by a full topping charge relative to the family's.
    ambient_c : array
    driven_km : array
        Since the last charge of the block, up to the newest reading.
    weight : array
        Sums to 1.
    """

    cause: NDArray[np.intp]
    peer_soc: Floats
    block_soc: Floats
    offset_ah: Floats
    peer_ah: Floats
    block_ah: Floats
    peer_scale: Floats
    block_scale: Floats
    joint_mohm: Floats
    live_cells: Floats
    leak_per_day: Floats
    stretch: Floats
    hysteresis: Floats
    ambient_c: Floats
    driven_km: Floats
    weight: Floats

    @property
    def missing_ah(self) -> Floats:
        """Charge that would bring the block level with its peers, Ah."""
        return (self.peer_soc - self.block_soc) * self.block_ah

    @property
    def lost_ah(self) -> Floats:
        """What the block would hold less than a peer even when level, Ah."""
        return self.peer_soc * (self.peer_ah - self.block_ah)

    @property
    def carried(self) -> float:
        """Effective share of the packs that carries the weight (Kish's effective sample size over n)."""
        return _carrying(self.weight) / len(self.weight)

    def of(self, cause: Cause) -> NDArray[np.bool_]:
        """Tell which of the packs have this cause."""
        return np.asarray(self.cause == CAUSES.index(cause))


def open_v(family: PackFamily, stretch: Floats, soc: Floats) -> Floats:
    """Open-circuit voltage of a cell where the curve is steeper or flatter than the family's, V. Shape (n,)."""
    middle = ocv_v(family.curves, np.array([family.soc_target]))
    return np.asarray(middle + stretch * (ocv_v(family.curves, soc) - middle))


@lru_cache(maxsize=2)
def _even(exponent: int) -> Floats:
    """Evenly spread points of the open unit cube, shape (2 ** exponent, _COLUMNS). Read-only."""
    points = Sobol(_COLUMNS, scramble=False).random_base2(exponent)
    spread = np.asarray((points + 0.5 / len(points)) % 1.0)
    spread.flags.writeable = False
    return spread


class _Draws:
    """Deals out the columns of the even points, one quantity after another."""

    def __init__(self, exponent: int) -> None:
        self._points, self._next = _even(exponent), 0

    def uniform(self, low: float = 0.0, high: float = 1.0) -> Floats:
        self._next += 1
        return low + (high - low) * self._points[:, self._next - 1]

    def normal(self, mean: float | Floats = 0.0, sd: float = 1.0) -> Floats:
        return np.asarray(mean + sd * ndtri(self.uniform()))

    def factor(self, sd: float) -> Floats:
        return np.asarray(np.exp(sd * ndtri(self.uniform())))


def _log_normal(z: Floats, sd: Floats | float) -> Floats:
    return np.asarray(-0.5 * (z / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi)))


def _log_near(found: Floats | float, expected: Floats, sd: Floats | float, cells: int) -> Floats:
    """Log likelihood of a deviation: normal, with a few readings that say nothing (within two volts a cell)."""
    normal = _log_normal(found - expected, sd)
    return np.asarray(np.logaddexp(np.log1p(-OUTLIER_SHARE) + normal, np.log(OUTLIER_SHARE / (2.0 * cells))))


def possible_packs(family: PackFamily, evidence: BenchEvidence) -> PossiblePacks:
    """Weigh possible packs by what was read.

    Parameters
    ----------
    family : PackFamily
    evidence : BenchEvidence

    Returns
    -------
    PossiblePacks
    """
    draw = _Draws(EXPONENT if evidence.drawn is None else DRAWN_EXPONENT)
    packs, centre, log_weight = _prior(family, evidence, draw)
    packs, log_ratio = _with_charge(family, packs, evidence, draw)
    log_weight = log_weight + log_ratio
    worn = np.where(packs.of("lost capacity"), draw.uniform(1.0, 1.1), 1.0)
    discharge = None if evidence.discharge is None else _Load(family, packs, evidence.discharge, evidence, draw)
    packs, log_ratio = _with_resistance(packs, worn, discharge, draw)
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
    log_level = _log_normal(block_centre - centre, LEVEL_SD_SHARE * family.rated_ah / packs.block_ah)
    log_weight = log_weight + np.where(packs.of("low charge") | packs.of("lost capacity"), log_low, log_level)
    joint = np.where(
        packs.of("joint"), (1.03 + 0.77 * excess) * trip.joint_mohm_at(1 + 0.2 * overshoot, block_centre), 0
    )
    packs = replace(packs, joint_mohm=joint)
    if discharge is not None:
        log_weight = log_weight + np.where(packs.of("joint"), discharge.log_likelihood(packs), 0.0)
    if evidence.charge is not None:
        log_weight = log_weight + _Load(family, packs, evidence.charge, evidence, draw).log_likelihood(packs)
    for earlier in evidence.earlier[-2:]:
        noted_z = draw.normal()
        if earlier.before is not None:
            live = np.maximum(packs.live_cells, 0.5)
            then_v = ocv_v(family.curves, packs.peer_soc) + earlier.before.deviation_v / live / packs.stretch
            then_soc = soc_from_rest(family.curves, then_v)
            log_weight = log_weight + _explains_rise(family, packs, then_soc, earlier, noted_z)
    log_weight = _doubting_causes(packs, log_weight, evidence)
    if evidence.drawn is not None:
        noted = evidence.drawn
        drawn_ah = np.maximum(draw.normal(noted.drawn_ah, noted.sd_ah), 0.3 * noted.drawn_ah)
        # A rest reading taken later found the string at another place of its swing.
        moved_ah = draw.normal(0.0, family.rated_ah * REST_OFFSET_SHARE * 2**0.5)
        told = explains_draw_down(family, packs, evidence, noted, drawn_ah, moved_ah)
        log_weight = _tempered(log_weight, told)
    return replace(packs, weight=_normalised(log_weight))


def _doubting_causes(packs: PossiblePacks, log_weight: Floats, evidence: BenchEvidence) -> Floats:
    """Weigh the causes again, each by less than readings say of it (`CAUSE_POWER`); within a cause nothing changes."""
    shares = CAUSE_SHARES if evidence.tripped else NO_CODE_SHARES
    told = np.bincount(packs.cause, _normalised(log_weight), len(CAUSES))
    prior = np.array([shares[name] for name in CAUSES])
    factor = np.divide(prior, told, out=np.zeros(len(CAUSES)), where=told > 0) ** (1 - CAUSE_POWER)
    return np.asarray(log_weight + np.log(np.maximum(factor, 1e-300))[packs.cause])


def _normalised(log_weight: Floats) -> Floats:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _tempered(log_weight: Floats, log_likely: Floats) -> Floats:
    """Add a log likelihood to weights, or as much of it as leaves enough packs to carry them."""
    enough = min(LEAST_CARRYING, _carrying(_normalised(log_weight)))
    for power in TEMPERING:
        if _carrying(_normalised(log_weight + power * log_likely)) >= enough:
            return np.asarray(log_weight + power * log_likely)
    return log_weight


def _carrying(weight: Floats) -> float:
    """Kish's effective sample size."""
    return float(1.0 / np.square(weight).sum())


def _prior(family: PackFamily, evidence: BenchEvidence, draw: _Draws) -> tuple[PossiblePacks, Floats, Floats]:
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


def _with_charge(
    family: PackFamily, packs: PossiblePacks, evidence: BenchEvidence, draw: _Draws
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
    own = _left_over_hysteresis(family, packs, evidence)
    soc = np.linspace(*ANYWHERE, 1401)
    curve_v, middle_v = ocv_v(family.curves, soc), float(ocv_v(family.curves, np.array([family.soc_target]))[0])
    read_v = (peer_v + shot.deviation_v + sd_v * meter_z) / live - own
    read = np.interp(middle_v + (read_v - middle_v) / packs.stretch, curve_v, soc)
    block = np.where(which < BY_READING, read, where)
    expected = packs.live_cells * (open_v(family, packs.stretch, block) + own) - peer_v
    slope = np.maximum(live * packs.stretch * np.interp(block, soc, np.gradient(curve_v, soc)), 1e-9)
    by_reading = _log_normal(shot.deviation_v - expected, sd_v) + np.log(slope)
    drawn = np.logaddexp(np.log(BY_READING) + by_reading, np.log1p(-BY_READING) + log_wide)
    return replace(packs, block_soc=block), _log_near(shot.deviation_v, expected, sd_v, cells) - drawn


def rest_set_aside(family: PackFamily, packs: PossiblePacks, evidence: BenchEvidence) -> float:
    """Probability that the rest reading says nothing of the block: the other evidence outweighs it."""
    shot = evidence.rest
    if shot is None:
        return 0.0
    own = _left_over_hysteresis(family, packs, evidence)
    peer_v = family.cells_per_block * open_v(family, packs.stretch, packs.peer_soc)
    expected = packs.live_cells * (open_v(family, packs.stretch, packs.block_soc) + own) - peer_v
    fits = _log_normal(shot.deviation_v - expected, shot.sd_v)
    says_nothing = OUTLIER_SHARE / (2.0 * family.cells_per_block)
    aside = says_nothing / (says_nothing + (1 - OUTLIER_SHARE) * np.exp(fits))
    return float((packs.weight * aside).sum())


class _Load:
    """A reading under discharge or charge, as each possible pack would show it."""

    def __init__(
        self, family: PackFamily, packs: PossiblePacks, shot: BlockSnapshot, evidence: BenchEvidence, draw: _Draws
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
        own = 0.0 if charging else _left_over_hysteresis(family, packs, evidence)
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
        return _log_near(self.shot.deviation_v, expected, self.sd_v, self.cells)

    def scale_read(self, noise_z: Floats) -> Floats:
        """Resistance of the block at which it would have been read, but for the meter's noise; without a joint."""
        left = self.open_v - self.shot.deviation_v - self.sd_v * noise_z
        return np.asarray((left / self.amps + self.peer_ohm) / self.per_scale_ohm)


def _with_resistance(
    packs: PossiblePacks, worn: Floats, load: _Load | None, draw: _Draws
) -> tuple[PossiblePacks, Floats]:
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
    log_prior = _log_normal(np.log(scale / usual), RESISTANCE_SD) - np.log(scale)
    expected = load.expected_v(scale, np.zeros(len(scale)))
    slope = np.abs(load.amps) * load.per_scale_ohm
    drawn = np.logaddexp(
        np.log(BY_READING) + _log_normal(load.shot.deviation_v - expected, load.sd_v) + np.log(slope),
        np.log1p(-BY_READING) + log_prior,
    )
    likely = _log_near(load.shot.deviation_v, expected, load.sd_v, load.cells)
    log_ratio = np.where(joint, 0.0, np.where(possible, log_prior + likely - drawn, -np.inf))
    return replace(packs, block_scale=scale), log_ratio


def draw_down_v(family: PackFamily, packs: PossiblePacks, evidence: BenchEvidence, moved_ah: Floats | float) -> Floats:
    """Work out the block's rest deviation, V, with the whole string moved by some charge. Shape (n,).

    Parameters
    ----------
    family : PackFamily
    packs : PossiblePacks
    evidence : BenchEvidence
    moved_ah : float or array, shape (n,)
        From where the string stood at the rest reading; negative: drawn.
    """
    own = _left_over_hysteresis(family, packs, evidence)
    block_v = open_v(family, packs.stretch, packs.block_soc + moved_ah / packs.block_ah) + own
    peer_v = open_v(family, packs.stretch, packs.peer_soc + moved_ah / packs.peer_ah)
    return np.asarray(packs.live_cells * block_v - family.cells_per_block * peer_v)


def explains_draw_down(
    family: PackFamily,
    packs: PossiblePacks,
    evidence: BenchEvidence,
    drawn: DrawnDown,
    drawn_ah: Floats | float,
    moved_ah: Floats | float,
) -> Floats:
    """Log likelihood of what a draw-down says beyond the rest reading that counts. Shape (n,).

    Parameters
    ----------
    family : PackFamily
    packs : PossiblePacks
    evidence : BenchEvidence
    drawn : DrawnDown
    drawn_ah : float or array, shape (n,)
        What was drawn in truth.
    moved_ah : float or array, shape (n,)
        Where the string stood before it, relative to the rest reading that counts; not used where that is its own.
    """
    cells = family.cells_per_block
    sd = float(np.hypot(drawn.lower.sd_v, RELAXED_SD_V * cells))
    if drawn.higher == evidence.rest:
        return _log_near(drawn.lower.deviation_v, draw_down_v(family, packs, evidence, -drawn_ah), sd, cells)
    higher = draw_down_v(family, packs, evidence, moved_ah)
    lower = draw_down_v(family, packs, evidence, moved_ah - drawn_ah)
    return np.asarray(
        _log_near(drawn.higher.deviation_v, higher, drawn.higher.sd_v, cells)
        + _log_near(drawn.lower.deviation_v, lower, sd, cells)
    )


def hysteresis_share(stored_ah: Floats | float, capacity_ah: Floats) -> Floats:
    """Share of the way to its charge branch that a topped block has gone: in full after a tenth of its capacity."""
    return np.asarray(-np.expm1(-np.maximum(stored_ah, 0.0) / (0.1 * capacity_ah)))


def _left_over_hysteresis(family: PackFamily, packs: PossiblePacks, evidence: BenchEvidence) -> Floats:
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
    family : PackFamily
    packs : PossiblePacks
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


def _explains_rise(
    family: PackFamily, packs: PossiblePacks, before_soc: Floats, earlier: EarlierCharge, noted_z: Floats
) -> Floats:
    """Log likelihood of the rise over a charge of this block; 0 where it cannot be told."""
    before, after, charge = earlier.before, earlier.after, earlier.topup.charge_ah
    if before is None or after is None or charge is None or earlier.wait_h > BEFORE_DRIVING_H:
        return np.zeros(len(packs.weight))
    expected = rise_v(family, packs, before_soc, charge * np.exp(NOTED_CHARGE_SD * noted_z), earlier.wait_h)
    sd = np.hypot(np.hypot(before.sd_v, after.sd_v), RISE_SD_V * family.cells_per_block)
    return _log_near(after.deviation_v - before.deviation_v, expected, sd, family.cells_per_block)


def _charge_error_z(packs: PossiblePacks) -> Floats:
    return np.asarray(ndtri(_even(len(packs.weight).bit_length() - 1)[:, -1]))


def stored_ah(family: PackFamily, packs: PossiblePacks, noted_ah: float) -> Floats:
    """Return the charge that stays in the block of each possible pack, Ah, for a charge as noted. Shape (n,)."""
    return np.asarray(noted_ah * stored_share(family) * np.exp(NOTED_CHARGE_SD * _charge_error_z(packs)))


def after_charge(family: PackFamily, packs: PossiblePacks, made: EarlierCharge) -> PossiblePacks:
    """Weigh packs, weighted by what was read before a charge, also by the rise over it.

    The packs still stand as before the charge.
    """
    log_weight = _explains_rise(family, packs, packs.block_soc, made, _charge_error_z(packs))
    weight = packs.weight * np.exp(log_weight - log_weight.max())
    return replace(packs, weight=weight / weight.sum())
