"""How many ampere-hours a weak block is short of its peers: a posterior over physics, from whatever was read.

A fixed, even set of some thousands of possible packs (a Sobol sequence pushed through the priors below) is weighted by
how well each explains the readings: the rest deviation through the open-circuit curve, the deviations under discharge
and charge with resistance taken out, the rise over earlier charges with hysteresis taken out, and, where the fault
code stands, that it does. What cannot be read, such as a block's capacity, keeps the spread of its prior.

Two quantities must not be taken for one another. The **missing charge** is what has to be stored for the block to stand
at its peers' state of charge: a charge can put that back. A faded block also holds less than its peers when level with
them: that **lost capacity** no charge restores.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import gamma
from scipy.stats.qmc import Sobol

from models.bench_evidence import BenchEvidence, BlockSnapshot, EarlierCharge
from models.cell_curves import ocv_v, resistance_mohm, soc_from_rest
from models.day_loop import HYSTERESIS_AH_SHARE
from models.drive import AH_PER_KM_PER_RATED_AH, DEPTH_SHARE, allowed_current_share
from models.families import PackFamily
from models.monitor import SEVERITIES
from models.self_discharge import arrhenius_factor

Floats = NDArray[np.float64]
Cause = Literal["low charge", "lost capacity", "joint", "shorted cell", "sound"]

CAUSES: Final[tuple[Cause, ...]] = ("low charge", "lost capacity", "joint", "shorted cell", "sound")
CAUSE_SHARES: Final[Mapping[Cause, float]] = {
    "low charge": 0.615,
    "lost capacity": 0.25,
    "joint": 0.105,
    "shorted cell": 0.015,
    "sound": 0.015,
}
"""What is the matter with a block that stands out, before anything is read. Invented."""

NEW_CAPACITY_SHARE: Final = 5.995 / 6.5
"""Measured over rated capacity of a nickel-metal hydride pack (NREL ADVISOR ESS_NIMH6, five discharges)."""

FADE_PER_YEAR: Final = 0.013
RESISTANCE_PER_YEAR: Final = 0.07
"""Relative loss of capacity and rise of resistance in a year: 1.5 to 2.5 times new at the end of life (from memory,
unverified), the rest invented."""

FADED_CAPACITY: Final = (0.6, 0.74)
"""Capacity of a faded block relative to its peers. Invented."""

USUAL_SHORTFALL: Final = (0.3, 0.12)
"""State of charge by which a block with low charge, and a faded one, usually trail their peers at the fault. Derived
from the monitor's limits of the shipped families; only its small effect on the peers' own state matters."""

REST_OFFSET_SHARE: Final = 0.035
LOAD_SWING_SHARE: Final = (0.02, 0.1)
"""Where the string stands around its centre when it is read: standard deviation at rest, and range drawn below (or
lifted above) it under load, of rated capacity. Invented."""

HARD_TRIP: Final = 1.15
"""Severity of the trips that confirm a code: of several trips a day one is somewhat hard. Invented."""

LATER_RATIO: Final = (0.9, 2.0)
LIMIT_SD: Final = 0.04
"""Spread relative to its limit at which a code that came back was confirmed, and how much one controller's limits
differ from another's (standard deviation of the logarithm). Invented."""

ANYWHERE: Final = (-0.3, 1.1)
BY_READING: Final = 0.85
"""Range of a block's state of charge; share of the possible packs drawn from the rest reading, the others anywhere."""

EXPONENT: Final = 14
"""2 to this power possible packs are weighed."""

CONFIDENCE: Final = 0.9
CLOSE: Final = 0.15
"""The best single figure is the one with the most probability this near to it, relatively."""

OUTLIER_SHARE: Final = 0.03
"""Share of readings that say nothing: a stuck channel, swapped leads, a slip of the pen. Invented."""


@dataclass(frozen=True)
class Range:
    """A figure and the range that holds the truth nine times in ten.

    Attributes
    ----------
    best, low, high : float
    """

    best: float
    low: float
    high: float


@dataclass(frozen=True)
class MissingCharge:
    """What a weak block lacks.

    Attributes
    ----------
    block : int
        From 1.
    missing_ah : Range
        Charge to be stored for the block to stand level with its peers, Ah. Negative: it stands above them.
    below_peers_ah : Range
        How much less charge than a peer it holds now, Ah: the missing charge and the lost capacity together.
    lost_ah : Range
        Part of that which no charge restores, Ah.
    causes : mapping of cause to float
        What may be the matter, with its probability.
    confidence : float
        Of the ranges.
    agreement : float
        Share of the possible packs that carries the posterior; tiny where the readings contradict one another.
    """

    block: int
    missing_ah: Range
    below_peers_ah: Range
    lost_ah: Range
    causes: Mapping[Cause, float]
    confidence: float
    agreement: float


@dataclass(frozen=True)
class PossiblePacks:
    """The weak block and its peers in each of n possible packs, with their weights. Arrays of shape (n,).

    Attributes
    ----------
    cause : int array
        Place in `CAUSES`.
    peer_soc, block_soc : array
        State of charge at the moment of the rest reading, as shares.
    peer_ah, block_ah : array
        Capacity, Ah.
    block_scale, peer_scale : array
        Resistance relative to the family's curve.
    joint_mohm : array
    live_cells : array
    leak_per_day : array
        At 25 °C.
    ambient_c : array
    weight : array
        Sums to 1.
    """

    cause: NDArray[np.intp]
    peer_soc: Floats
    block_soc: Floats
    peer_ah: Floats
    block_ah: Floats
    block_scale: Floats
    peer_scale: Floats
    joint_mohm: Floats
    live_cells: Floats
    leak_per_day: Floats
    ambient_c: Floats
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
        return float(1.0 / (np.square(self.weight).sum() * len(self.weight)))


@lru_cache(maxsize=4)
def _even(columns: int) -> Floats:
    """Evenly spread points of the open unit cube, shape (2 ** EXPONENT, columns). Read-only."""
    points = Sobol(columns, scramble=False).random_base2(EXPONENT)
    spread = np.asarray((points + 0.5 / len(points)) % 1.0)
    spread.flags.writeable = False
    return spread


class _Draws:
    """Deals out the columns of the even points, one quantity after another."""

    def __init__(self, columns: int) -> None:
        self._points, self._next = _even(columns), 0

    def uniform(self, low: float = 0.0, high: float = 1.0) -> Floats:
        self._next += 1
        return low + (high - low) * self._points[:, self._next - 1]

    def normal(self, mean: float | Floats = 0.0, sd: float = 1.0) -> Floats:
        return np.asarray(mean + sd * ndtri(self.uniform()))

    def factor(self, sd: float) -> Floats:
        return np.asarray(np.exp(sd * ndtri(self.uniform())))


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
    draw = _Draws(40)
    cause = np.searchsorted(np.cumsum(list(CAUSE_SHARES.values()))[:-1], draw.uniform()).astype(np.intp)
    is_cause = {name: cause == place for place, name in enumerate(CAUSES)}
    age_u = draw.uniform()
    # Without an age, that of packs that come in: gamma, shape 6, scale 1.5 years (invented).
    age = np.asarray(
        np.clip(gamma.ppf(age_u, 6.0, scale=1.5), 1.5, 20.0)
        if evidence.age_years is None
        else np.full(len(age_u), evidence.age_years)
    )
    new = NEW_CAPACITY_SHARE if family.chemistry == "nimh" else 1.0
    health = np.clip(1 - FADE_PER_YEAR * age + draw.normal(0.0, 0.03), 0.6, 1.02)
    peer_ah = family.rated_ah * new * health
    faded = draw.uniform(*FADED_CAPACITY)
    relative = np.where(is_cause["lost capacity"], faded, 1.0) * draw.factor(0.02)
    block_ah = peer_ah * relative
    # The controller holds the average at its target: the lower one block, the higher its peers.
    usual = np.select([is_cause["low charge"], is_cause["lost capacity"]], USUAL_SHORTFALL, 0.0)
    centre = family.soc_target + usual / family.blocks + draw.normal(0.0, 0.02)
    peer_scale = 1 + RESISTANCE_PER_YEAR * age
    worn = np.where(is_cause["lost capacity"], draw.uniform(1.0, 1.1), 1.0)
    block_scale = peer_scale * worn * draw.factor(0.05)
    ambient_z = draw.normal()
    ambient = 17.0 + 10.0 * ambient_z if evidence.ambient_c is None else evidence.ambient_c + 1.5 * ambient_z
    live = np.where(is_cause["shorted cell"], family.cells_per_block - 1.0, float(family.cells_per_block))

    style, warmer = draw.factor(0.14), draw.uniform(3.0, 14.0)
    offset = family.rated_ah * draw.normal(0.0, REST_OFFSET_SHARE)
    peer_soc = centre + offset / peer_ah
    leak = np.where(is_cause["low charge"], 0.065 * draw.factor(0.42), 0.006 * draw.factor(0.3))
    packs = PossiblePacks(
        cause=cause,
        peer_soc=peer_soc,
        block_soc=peer_soc,
        peer_ah=peer_ah,
        block_ah=block_ah,
        block_scale=block_scale,
        peer_scale=peer_scale,
        joint_mohm=np.zeros(len(cause)),
        live_cells=live,
        leak_per_day=leak,
        ambient_c=ambient,
        weight=np.full(len(cause), 1 / len(cause)),
    )
    proposed = _propose(family, packs, evidence, draw)
    packs, log_weight = replace(packs, block_soc=proposed.block_soc), proposed.log_weight
    block_centre = packs.block_soc - offset / block_ah
    trip = _Trip(family, centre, peer_ah, peer_scale, block_ah, block_scale, style, ambient + warmer)
    low = is_cause["low charge"] | is_cause["lost capacity"]
    log_level = _log_normal(block_centre - centre, 0.018 * family.rated_ah / block_ah)
    if evidence.tripped:
        log_low = trip.log_density(block_centre, first=evidence.first_fault)
    else:
        log_low = np.where((block_centre < centre + 0.1) & (block_centre > centre - 0.75), -np.log(0.85), -np.inf)
    log_weight = log_weight + np.where(low, log_low, log_level)
    target, excess = draw.uniform(1.0, 1.2) * draw.factor(0.04), draw.uniform(1.03, 1.8)
    joint = np.where(is_cause["joint"], excess * trip.joint_mohm_at(target, block_centre), 0.0)
    packs = replace(packs, joint_mohm=joint)
    for shot in (evidence.discharge, evidence.charge):
        log_weight = log_weight + _explains_load(family, packs, offset, shot, evidence, draw)
    for earlier in evidence.earlier[-2:]:
        log_weight = log_weight + _explains_rise(family, packs, earlier, draw)
    weight = np.exp(log_weight - log_weight.max())
    return replace(packs, weight=weight / weight.sum())


class _Trip:
    """The spread that the monitor sees on a hard trip, for each possible pack."""

    def __init__(
        self,
        family: PackFamily,
        centre: Floats,
        peer_ah: Floats,
        peer_scale: Floats,
        block_ah: Floats,
        block_scale: Floats,
        style: Floats,
        driving_c: Floats,
    ) -> None:
        self.family, self.block_ah, self.centre = family, block_ah, centre
        self.depth_ah = DEPTH_SHARE * family.rated_ah * style
        self.peak_a = family.peak_current_a * style * allowed_current_share(family, driving_c).astype(np.float64)
        warm = np.exp(family.resistance_per_k * (driving_c - 25.0))
        self.block_ohm = 1e-3 * family.cells_per_block * block_scale * warm
        peer_ohm = 1e-3 * family.cells_per_block * peer_scale * warm
        self.peers = [self._loaded(centre, peer_ah, peer_ohm, severity) for severity in SEVERITIES[1:]]
        self.share = (HARD_TRIP - SEVERITIES[1]) / (SEVERITIES[2] - SEVERITIES[1])

    def _loaded(self, soc: Floats, capacity_ah: Floats, ohm: Floats, severity: float) -> Floats:
        at = soc - severity * self.depth_ah / capacity_ah
        curves = self.family.curves
        open_v = self.family.cells_per_block * ocv_v(curves, at)
        return np.asarray(open_v - severity * self.peak_a * ohm * resistance_mohm(curves, at))

    def ratio(self, block_soc: Floats) -> Floats:
        """Spread relative to its limit, interpolated between severities as the monitor does."""
        family = self.family
        rest = family.cells_per_block * (ocv_v(family.curves, self.centre) - ocv_v(family.curves, block_soc))
        out = np.zeros(len(block_soc))
        for severity, peers, share in zip(SEVERITIES[1:], self.peers, (1 - self.share, self.share), strict=True):
            load = peers - self._loaded(block_soc, self.block_ah, self.block_ohm, severity)
            out += share * np.maximum(load / family.discharge_spread_limit_v, rest / family.rest_spread_limit_v)
        return out

    def log_density(self, block_soc: Floats, *, first: bool) -> Floats:
        """Log density of the block's state of charge, given that the code was confirmed at it and not before."""
        step = 0.004
        below, above = self.ratio(block_soc - step), self.ratio(block_soc + step)
        slope = np.maximum((below - above) / (2 * step), 1e-6)
        ratio = np.maximum((below + above) / 2, 1e-6)
        low, high = (1.0, 1.2) if first else LATER_RATIO
        # The ratio reached is uniform from low to high, times this controller's own limit (lognormal).
        share = ndtr(np.log(ratio / low) / LIMIT_SD) - ndtr(np.log(ratio / high) / LIMIT_SD)
        return np.asarray(np.log(np.maximum(share / (high - low), 1e-300)) + np.log(slope))

    def joint_mohm_at(self, target: Floats, block_soc: Floats) -> Floats:
        """Joint resistance that makes up the rest of the spread, mΩ."""
        left = np.maximum(target - self.ratio(block_soc), 0.05) * self.family.discharge_spread_limit_v
        return 1e3 * left / (HARD_TRIP * self.peak_a)


def _log_normal(z: Floats, sd: Floats | float) -> Floats:
    return np.asarray(-0.5 * (z / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi)))


def _log_near(found: Floats | float, expected: Floats, sd: Floats | float, width_v: float) -> Floats:
    """Log likelihood of a deviation: normal, with a few readings that say nothing."""
    normal = _log_normal(found - expected, sd)
    return np.asarray(np.logaddexp(np.log1p(-OUTLIER_SHARE) + normal, np.log(OUTLIER_SHARE / width_v)))


@dataclass(frozen=True)
class _Proposal:
    block_soc: Floats
    log_weight: Floats


def _propose(family: PackFamily, packs: PossiblePacks, evidence: BenchEvidence, draw: _Draws) -> _Proposal:
    """Draw the block's state of charge: mostly where the rest reading puts it, for the rest anywhere.

    Returns the draws and log of the likelihood of the rest reading over the density drawn from.
    """
    which, where, meter_z = draw.uniform(), draw.uniform(*ANYWHERE), draw.normal()
    wide = 1 / (ANYWHERE[1] - ANYWHERE[0])
    shot = evidence.rest
    if shot is None:
        return _Proposal(where, np.full(len(where), -np.log(wide)))
    curves, cells = family.curves, family.cells_per_block
    peer_v = cells * ocv_v(curves, packs.peer_soc)
    own = _left_over_hysteresis(family, packs, evidence, shot)
    soc = np.linspace(*ANYWHERE, 1301)
    open_v = ocv_v(curves, soc)
    live = np.maximum(packs.live_cells, 0.5)
    read = np.interp((peer_v + shot.deviation_v + shot.sd_v * meter_z) / live - own, open_v, soc)
    block = np.where(which < BY_READING, read, where)
    expected = packs.live_cells * (np.interp(block, soc, open_v) + own) - peer_v
    slope = packs.live_cells * np.interp(block, soc, np.gradient(open_v, soc))
    normal = _log_normal(shot.deviation_v - expected, shot.sd_v)
    drawn = np.logaddexp(np.log(BY_READING) + normal + np.log(np.maximum(slope, 1e-9)), np.log((1 - BY_READING) * wide))
    likely = _log_near(shot.deviation_v, expected, shot.sd_v, 2.0 * cells)
    return _Proposal(block, likely - drawn)


def _explains_load(
    family: PackFamily,
    packs: PossiblePacks,
    offset_ah: Floats,
    shot: BlockSnapshot | None,
    evidence: BenchEvidence,
    draw: _Draws,
) -> Floats:
    """Log likelihood of a reading under discharge or charge in each possible pack; 0 where that state was not read."""
    swing, other_offset, amps_u, warm_z = draw.uniform(*LOAD_SWING_SHARE), draw.normal(), draw.uniform(), draw.normal()
    if shot is None:
        return np.zeros(len(packs.weight))
    curves, cells = family.curves, family.cells_per_block
    sign = 1.0 if shot.state == "discharge" else -1.0
    low, high = (0.25, 0.7) if sign > 0 else (0.15, 0.4)
    amps = (
        sign * family.peak_current_a * (low + (high - low) * amps_u)
        if shot.current_a is None
        else np.full(len(packs.weight), shot.current_a)
    )
    # Read at another place of the swing than the rest reading.
    moved = family.rated_ah * (REST_OFFSET_SHARE * other_offset - sign * swing) - offset_ah
    warm_c = packs.ambient_c + 6.0 + 1.5 * warm_z if shot.temperature_c is None else shot.temperature_c + 1.5 * warm_z
    warm = np.exp(family.resistance_per_k * (warm_c - 25.0))
    block_soc, peer_soc = packs.block_soc + moved / packs.block_ah, packs.peer_soc + moved / packs.peer_ah
    charging = sign < 0
    block_r = cells * resistance_mohm(curves, block_soc, charging=charging) * warm * packs.block_scale
    peer_r = cells * resistance_mohm(curves, peer_soc, charging=charging) * warm * packs.peer_scale
    own = 0.0 if charging else _left_over_hysteresis(family, packs, evidence, shot)
    block_v = packs.live_cells * (ocv_v(curves, block_soc) + own) - 1e-3 * amps * (block_r + packs.joint_mohm)
    peer_v = cells * ocv_v(curves, peer_soc) - 1e-3 * amps * peer_r
    # The current is noted to about half an ampere.
    sd = np.hypot(shot.sd_v, 0.5e-3 * np.abs(block_r + packs.joint_mohm - peer_r))
    return _log_near(shot.deviation_v, block_v - peer_v, sd, 2.0 * cells)


def hysteresis_share(charge_ah: Floats | float, capacity_ah: Floats) -> Floats:
    """Share of the way to its charge branch that a topped block has gone: in full after a tenth of its capacity."""
    return np.asarray(-np.expm1(-np.maximum(charge_ah, 0.0) / (0.1 * capacity_ah)))


def _left_over_hysteresis(
    family: PackFamily, packs: PossiblePacks, evidence: BenchEvidence, shot: BlockSnapshot
) -> Floats:
    """Offset that the last charge of this block has left at a reading, V per cell; it goes with use, not with rest."""
    if not evidence.earlier:
        return np.zeros(len(packs.weight))
    last = evidence.earlier[-1].topup
    days = (shot.time - last.time).total_seconds() / 86_400
    km = 38.0 if evidence.km_per_day is None else evidence.km_per_day
    driven = max(days - 1.0, 0.0) * km * AH_PER_KM_PER_RATED_AH
    stored = last.charge_ah or 0.2 * family.rated_ah
    share = hysteresis_share(stored * family.coulombic_efficiency, packs.block_ah)
    return family.hysteresis_charge_v * share * float(np.exp(-driven / HYSTERESIS_AH_SHARE))


def stored_share(family: PackFamily) -> float:
    """Share of the charge put in that stays, at the middle of the range: better there than from empty to full."""
    # Half a point to the hundred above the full-range figure of NREL ADVISOR ESS_NIMH6 (invented), at most all of it.
    return min(family.coulombic_efficiency + 0.02, 1.0)


def rise_v(
    family: PackFamily, packs: PossiblePacks, before_soc: Floats, put_in_ah: Floats | float, wait_h: float
) -> Floats:
    """Rise of the block's rest voltage over a charge, V, read `wait_h` after it and before any driving. Shape (n,)."""
    stored = put_in_ah * stored_share(family)
    rate = packs.leak_per_day * arrhenius_factor(packs.ambient_c, family.self_discharge_ev)
    # The first day after a charge goes about twice as fast (see models.self_discharge).
    lost = np.minimum(1.6 * rate * wait_h / 24, 0.9)
    after_soc = (before_soc + stored / packs.block_ah) * (1 - lost)
    own = family.hysteresis_charge_v * hysteresis_share(stored, packs.block_ah)
    return np.asarray(packs.live_cells * (ocv_v(family.curves, after_soc) + own - ocv_v(family.curves, before_soc)))


def _explains_rise(family: PackFamily, packs: PossiblePacks, earlier: EarlierCharge, draw: _Draws) -> Floats:
    """Log likelihood of the rise over an earlier charge of this block; 0 where it cannot be told."""
    noted_z = draw.normal()
    before, after, charge = earlier.before, earlier.after, earlier.topup.charge_ah
    if before is None or after is None or charge is None or not 0 <= earlier.wait_h <= 36:
        return np.zeros(len(packs.weight))
    cells, curves = family.cells_per_block, family.curves
    at = soc_from_rest(curves, ocv_v(curves, packs.peer_soc) + before.deviation_v / np.maximum(packs.live_cells, 0.5))
    expected = rise_v(family, packs, at, charge * np.exp(0.05 * noted_z), earlier.wait_h)
    # The string stands elsewhere in its swing at the second reading: the steeper the block's curve the more it shows.
    sd = np.hypot(np.hypot(before.sd_v, after.sd_v), 0.0025 * cells)
    return _log_near(after.deviation_v - before.deviation_v, expected, sd, 2.0 * cells)


def _weighted_range(values: Floats, weight: Floats, *, relative: bool = False) -> Range:
    order = np.argsort(values, kind="stable")
    x, w = values[order], weight[order]
    total = np.cumsum(w)
    tail = (1 - CONFIDENCE) / 2
    low, middle, high = (float(np.interp(q, total - w / 2, x)) for q in (tail, 0.5, 1 - tail))
    if not relative or middle <= 0:
        return Range(middle, low, high)
    # The figure with the most probability within CLOSE of it: between two explanations the median suits neither.
    tries = np.linspace(max(low, 1e-6), high, 121)
    mass = np.interp(tries / (1 - CLOSE), x, total) - np.interp(tries / (1 + CLOSE), x, total)
    best = float((tries * mass**8).sum() / (mass**8).sum()) if mass.max() > 0 else middle
    return Range(best, low, high)


def missing_charge(packs: PossiblePacks, block: int) -> MissingCharge:
    """Read off what the block lacks."""
    weight = packs.weight
    return MissingCharge(
        block=block,
        missing_ah=_weighted_range(packs.missing_ah, weight, relative=True),
        below_peers_ah=_weighted_range(packs.missing_ah + packs.lost_ah, weight),
        lost_ah=_weighted_range(packs.lost_ah, weight),
        causes={name: float(weight[packs.cause == place].sum()) for place, name in enumerate(CAUSES)},
        confidence=CONFIDENCE,
        agreement=packs.carried,
    )
