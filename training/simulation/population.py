"""Packs as they come in: kinds of weakness, severity, age and use, drawn from documented priors.

The laws stand in `training.simulation.priors`. They are chosen so that simulated packs behave as the trade's rule of
thumb says (leak and fade back within one to four weeks, neglect rarely, joint at once: common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.cell_curves import CurveLookup
from models.physics.day_step import draw_day, recentre, run_day
from models.physics.driving import day_use
from models.physics.monitor import SEVERITIES, spread_ratio
from models.physics.pack_state import HYSTERESIS_AH_SHARE, FloatArray, PackState
from models.physics.use_process import UseProcess, draw_use, use_of_day
from training.simulation.places import Place
from training.simulation.priors import PRIORS
from training.simulation.world import USUAL_WORLD, PackLaws

CONDITION_SHARES: Final[Mapping[str, float]] = USUAL_WORLD.shares()
"""What is really the matter, and how often among packs that come in, in the usual world."""

KIND_OF_CONDITION: Final[Mapping[str, str]] = {
    "leak": "leak",
    "fade": "fade",
    "neglect": "neglect",
    "joint": "joint",
    "leak and fade": "leak",
    "two leaks": "leak",
    "shorted cell": "leak",
    "healthy": "neglect",
    "dry-out": "joint",
}
"""The kind that a forecast should name: a shorted cell is the extreme leak, a healthy pack needs nothing, and dry-out
is ohmic as a joint is, with no top-up that helps."""

LEAKY: Final = ("leak", "leak and fade", "two leaks")
FADED: Final = ("fade", "leak and fade")
BY_CHARGE: Final = ("leak", "fade", "neglect", "leak and fade", "two leaks")
OHMIC: Final = ("joint", "dry-out")
GROWING: Final = ("leak", "fade", "leak and fade", "two leaks", "joint", "dry-out")

GROWN_SPARE: Final = 0.5
"""Further packs drawn for each that grows into its fault: some never get that far, and these are not seen."""

GROWN_DAYS: Final = 60
"""Days over which the last part of that growth is followed. Invented."""

GROWN_FROM: Final = (0.55, 0.9)
"""Where that part begins, as a share of what just trips. Invented."""

MOST_DRY: Final = 15.0
"""Resistance beyond that of its neighbours at which the search for a dried-out block's fault ends, as a multiple."""

ARRIVAL_SEVERITY: Final = 1.15
"""Severity of the trips that confirm a first fault: somewhat hard ones, of which each day has a few."""

CAPACITY_WHEN_NEW: Final = 5.995 / 6.5
"""Measured over rated capacity (NREL ADVISOR ESS_NIMH6, five discharges)."""


@dataclass
class Population:
    """n packs of one family as they come in with their first fault.

    Attributes
    ----------
    condition : object array, shape (n,)
        A key of `CONDITION_SHARES`.
    weak_block : int array, shape (n,)
        From 0.
    age_years, odometer_km : array, shape (n,)
    place : object array, shape (n,)
    deficit_ah : array, shape (n,)
        How much less than its level share the weak block (or its sick cells) holds, Ah.
    """

    state: PackState
    use: UseProcess
    condition: NDArray[np.object_]
    weak_block: NDArray[np.intp]
    age_years: FloatArray
    odometer_km: FloatArray
    place: NDArray[np.object_]
    deficit_ah: FloatArray
    laws: PackLaws


def _draw(rng: np.random.Generator, name: str, *shape: int) -> FloatArray:
    return PRIORS[name].draw(rng, *shape)


def draw_use_process(
    rng: np.random.Generator, places: Sequence[Place], laws: PackLaws, first_fault_day: tuple[int, int]
) -> tuple[UseProcess, NDArray[np.object_]]:
    """Draw use and climate for n packs, spread evenly over places and over days of the year."""
    n = len(laws.world)
    which = rng.integers(0, len(places), n)

    def of(name: str) -> FloatArray:
        return np.array([getattr(p, name) for p in places], dtype=np.float32)[which]

    km_per_day = PRIORS["km_per_day"].a * np.exp(laws.number("km sd") * rng.standard_normal(n, dtype=np.float32))
    km = np.clip(km_per_day * of("km_factor") * laws.number("km"), 4, 260)
    trips = np.clip(1.0 + km / 14.0 * np.exp(0.3 * rng.standard_normal(n)), 1, 10).astype(np.float32)
    spell = rng.random(n) < 0.12
    use = UseProcess(
        km_per_day=km.astype(np.float32),
        trips_per_day=trips,
        weekend_share=np.where(rng.random(n) < 0.35, 0, _draw(rng, "weekend_share", n)).astype(np.float32),
        parking_start=_draw(rng, "parking_start", n),
        parking_days=np.where(spell, _draw(rng, "parking_days", n), 0).astype(np.float32),
        style=_draw(rng, "style", n) * laws.number("style"),
        season_mean_c=of("mean_c") + laws.number("warmer"),
        season_swing_c=of("swing_c") * laws.number("season"),
        season_peak_day=of("peak_day"),
        start_day_of_year=rng.integers(*first_fault_day, n).astype(np.float32),
        warmth_c=_draw(rng, "warmth_c", n),
    )
    names = np.array([p.name for p in places], dtype=object)[which]
    return use, names


def draw_sound_state(
    family: PackFamily, rng: np.random.Generator, age_years: FloatArray, laws: PackLaws | None = None
) -> PackState:
    """Draw packs whose blocks are all sound, only as unequal as their age makes them."""
    n, b = len(age_years), family.blocks
    age = age_years[:, None]
    laws = PackLaws.usual(n) if laws is None else laws
    number, way = laws.number, laws.way

    def varied(name: str) -> FloatArray:
        return number(name)[:, None] * rng.standard_normal((n, b), dtype=np.float32)

    def when(switch: str, name: str, value: FloatArray, otherwise: float = 0.0) -> FloatArray:
        return np.where(way(switch) == name, value, np.float32(otherwise)).astype(np.float32)

    new_share = CAPACITY_WHEN_NEW if family.chemistry == "nimh" else 1.0
    health = np.clip(1 - 0.013 * age + _draw(rng, "pack_health", n, 1), 0.6, 1.02)
    capacity = (family.rated_ah * new_share * health * np.exp(varied("block capacity sd"))).astype(np.float32)
    state = replace(
        PackState.alike(family, n),
        charge_ah=capacity * np.float32(family.soc_target) + family.rated_ah * varied("block charge sd"),
        capacity_ah=capacity,
        # 1.5 to 2.5 times new at end of life (from memory, unverified): 7 % a year.
        resistance_scale=(1 + number("resistance per year")[:, None] * age) * np.exp(varied("block resistance sd")),
        joint_mohm=family.cells_per_block * _draw(rng, "block_joint", n, b),
        leak_per_day=family.self_discharge_per_day
        * number("sound leak")[:, None]
        * (1 + np.float32(0.04) * age)
        * _draw(rng, "block_leak", n, b),
        fade_per_day=np.full((n, b), 5e-5, dtype=np.float32),
        centre_error=_draw(rng, "centre_error", n),
        clog=np.where(rng.random(n) < 0.25, _draw(rng, "clogged", n), _draw(rng, "clean", n)),
        wander_ah=number("wander")
        * np.exp(np.float32(PRIORS["wander"].b) * rng.standard_normal(n, dtype=np.float32))
        * np.float32(family.rated_ah),
        limit_factor=number("limit") * np.exp(number("limit sd") * rng.standard_normal(n, dtype=np.float32)),
        leak_ev=np.maximum(np.float32(family.self_discharge_ev) + number("leak energy"), 0),
        drain_ev=number("short energy"),
        charge_order=when("charge", "rising", number("charge order")),
        fresh_factor=number("fresh"),
        hysteresis_size=number("hysteresis"),
        hysteresis_ah=np.float32(HYSTERESIS_AH_SHARE * family.rated_ah) * number("hysteresis use"),
        hysteresis_relax=when("hysteresis", "rest", number("hysteresis relaxation")),
        ocv_stretch=number("curve slope"),
        centre_shift=number("centre shift"),
        centre_memory=number("centre memory"),
        centre_sd=number("centre sd"),
        spread_against=np.select([way("spread") == "median", way("spread") == "extremes"], [1, 2], 0).astype(np.int8),
        monitor_runs=number("monitor runs"),
        severity_sd=number("severity sd"),
        confirm_after=np.select([way("detections") == "one", way("detections") == "three"], [1, 3], 2).astype(np.int8),
        keeps_pending=way("pending") == "kept",
        # Warm enough, or long enough: invented.
        runs_above_c=when("enable", "warm", np.full(n, 15, dtype=np.float32), -np.inf),
        runs_above_ah=when("enable", "long trips", np.full(n, 0.25 * family.rated_ah, dtype=np.float32)),
    )
    recentre(family, state)
    return state


def weaken(
    state: PackState,
    rng: np.random.Generator,
    condition: NDArray[np.object_],
    weak: NDArray[np.intp],
    laws: PackLaws,
    age_years: FloatArray,
) -> FloatArray:
    """Give packs their weakness, in place; return how far a bad joint goes beyond the one that just trips.

    The missing charge itself is set by `bring_to_fault`.
    """
    n, b = state.packs, state.blocks
    number, way = laws.number, laws.way

    def z() -> FloatArray:
        return rng.standard_normal(n, dtype=np.float32)

    def u() -> FloatArray:
        return rng.random(n, dtype=np.float32)

    pace = number("pace")
    aged = (age_years / np.float32(9.0)) ** number("age with leak")
    prior = PRIORS["leak"]
    leak_z = z()
    leak = np.clip(number("leak") * np.exp(number("leak sd") * leak_z), prior.low, prior.high) * pace * aged
    growth = number("leak growth") * rng.standard_exponential(n, dtype=np.float32)
    small_leak = number("neglect leak") * np.exp(np.float32(PRIORS["neglect_leak"].b) * z()) * pace
    fade = number("fade low") + number("fade width") * u()
    fade_resistance = 1 + (number("fade resistance") - 1) * u()
    loss = number("fade loss") * np.exp(np.float32(PRIORS["fade_loss"].b) * z()) * pace
    fade_leak = number("fade leak") * np.exp(np.float32(PRIORS["fade_leak"].b) * z()) * pace
    other = (weak + rng.integers(1, b, n)) % b
    other_share = _draw(rng, "second_leak", n)
    joint_excess = _draw(rng, "joint_excess", n)

    def rows(*names: str) -> NDArray[np.intp]:
        return np.flatnonzero(np.isin(condition, names))

    # A mixed world draws the way of each pack.
    cells = _mixed(rng, way("cells"), ("all", "some", "one"))
    kind_of_leak = _mixed(rng, way("leak"), ("side reaction", "soft short"))
    course = _mixed(rng, way("course"), ("steady", "growing", "jumping", "healing", "stalling"))

    live = state.live_cells[np.arange(n), weak]
    some = np.maximum(np.round(number("sick share") * live), 1)
    sick = np.minimum(np.select([cells == "some", cells == "one"], [some, 1.0], 0.0), np.maximum(live - 1, 0))
    sick[~np.isin(condition, LEAKY + FADED)] = 0
    state.sick_cells[np.arange(n), weak] = sick

    def leaks(r: NDArray[np.intp], block: NDArray[np.intp], rate: FloatArray) -> None:
        """Let blocks leak: their sick cells, or all; by the way of their pack."""
        short = kind_of_leak[r] == "soft short"
        held = state.charge_ah[r, block]
        state.drain_ah_per_day[r, block] += np.where(short, rate * held, 0)
        own = np.where(short, 0, rate)
        part = state.sick_cells[r, block] > 0
        state.sick_leak_per_day[r, block] += np.where(part, own, 0)
        state.leak_per_day[r, block] += np.where(part, 0, own)

    r = rows(*LEAKY)
    leaks(r, weak[r], leak[r])
    grows = np.isin(course, ("growing",))
    state.leak_growth[r, weak[r]] = np.where(grows, growth, 0)[r]
    unsteady = np.isin(course, ("jumping", "healing", "stalling"))
    state.jump_per_day[r, weak[r]] = np.where(unsteady, number("jump rate"), 0)[r]
    state.jump_factor[:] = np.select(
        [course == "jumping", course == "healing", course == "stalling"],
        [np.exp(np.float32(0.7) + np.float32(0.3) * z()), np.float32(0.5), np.float32(0.05)],
        np.float32(1),
    )
    state.resistance_scale[r, weak[r]] *= np.exp(number("leak with resistance") * leak_z)[r]
    r = rows("two leaks")
    leaks(r, other[r], leak[r] * other_share[r])
    r = rows(*FADED)
    part = sick[r] > 0
    state.sick_capacity[r, weak[r]] = np.where(part, fade[r], 1)
    state.capacity_ah[r, weak[r]] *= np.where(part, 1, fade[r])
    state.resistance_scale[r, weak[r]] *= np.where(part, 1, fade_resistance[r])
    state.loss_per_ah[r, weak[r]] = loss[r]
    leaks(r, weak[r], fade_leak[r])
    state.fade_per_day[r, weak[r]] = 0.0008
    # Cells of small capacity that were level would be overfull: they have settled where neither end is reached.
    settled = np.float32(0.7) * state.capacity_ah[r, weak[r]]
    level = state.charge_ah[r, weak[r]]
    state.sick_behind_ah[r, weak[r]] = np.where(part, np.maximum(level - settled * fade[r], 0), 0)
    state.charge_ah[r, weak[r]] = np.where(part, level, settled)
    r = rows("neglect")
    state.leak_per_day[r, weak[r]] += small_leak[r]
    state.capacity_ah[r, weak[r]] *= 0.96
    # Without a defect: no more worn than its neighbours.
    worn = np.median(state.resistance_scale[r], axis=1)
    state.resistance_scale[r, weak[r]] = np.minimum(state.resistance_scale[r, weak[r]], worn)
    r = rows("joint")
    state.joint_growth[r, weak[r]] = number("joint growth")[r]
    r = rows("dry-out")
    state.resistance_growth[r, weak[r]] = number("dry-out growth")[r]
    state.capacity_ah[r, weak[r]] *= np.float32(0.9)
    state.charge_ah[r, weak[r]] *= np.float32(0.9)
    r = rows("shorted cell")
    state.live_cells[r, weak[r]] -= 1
    state.leak_per_day[r, weak[r]] += 0.004
    second = np.where(condition == "two leaks", other_share, 0).astype(np.float32)
    # The second weak block of "two leaks" starts part of the way down; others of the pack stay level.
    level = state.charge_ah[np.arange(n), other]
    state.charge_ah[np.arange(n), other] = level * (1 - 0.45 * second * rng.random(n, dtype=np.float32))
    more = np.where(way("weak blocks") == "several", rng.poisson(number("more weak")), 0)
    for step in (1, 2):
        r = np.flatnonzero((more >= step) & np.isin(condition, BY_CHARGE) & (b > step + 2))
        block = (weak[r] + step + rng.integers(0, b - step - 1, len(r))) % b
        r, block = r[block != weak[r]], block[block != weak[r]]
        share = rng.uniform(0.1, 0.7, len(r)).astype(np.float32)
        leaks(r, block, leak[r] * share)
        state.charge_ah[r, block] *= 1 - np.float32(0.3) * share
    return joint_excess


def _mixed(rng: np.random.Generator, way: NDArray[np.object_], ways: Sequence[str]) -> NDArray[np.object_]:
    """Let each pack of a mixed world have its own way."""
    return np.where(way == "mixed", rng.choice(np.array(ways, dtype=object), len(way)), way)


def _set_amount(
    state: PackState,
    level: FloatArray,
    behind: FloatArray,
    condition: NDArray[np.object_],
    weak: NDArray[np.intp],
    amount: NDArray[np.floating],
) -> None:
    """Take charge from the weak block or its sick cells (Ah), or add resistance (mΩ, or a multiple), in place."""
    rows = np.arange(state.packs)
    by_charge = np.where(np.isin(condition, BY_CHARGE), amount, 0)
    sick = state.sick_cells[rows, weak] > 0
    state.charge_ah[rows, weak] = level - np.where(sick, 0, by_charge)
    state.sick_behind_ah[rows, weak] = behind + np.where(sick, by_charge, 0)
    state.joint_mohm[rows, weak] += np.where(condition == "joint", amount, 0)
    state.resistance_scale[rows, weak] *= 1 + np.where(condition == "dry-out", amount, 0)


def bring_to_fault(
    family: PackFamily,
    lookup: CurveLookup,
    population_state: PackState,
    use: UseProcess,
    condition: NDArray[np.object_],
    weak: NDArray[np.intp],
    joint_excess: FloatArray,
    overshoot: FloatArray,
    share: FloatArray | None = None,
) -> FloatArray:
    """Set the weak block's missing charge (or its resistance) to where the monitor just confirms, in place.

    Found by bisection on the monitor itself at severity `ARRIVAL_SEVERITY`; `overshoot` (shape (n,), from 1) is the
    multiple of the limit reached, `share` (shape (n,), 1 unless given) how much of what it takes is set. Sick cells
    too few to trip the monitor even when they are empty are joined by the rest of their block. Returns the missing
    charge in Ah, shape (n,).
    """
    state = population_state
    n = state.packs
    rows = np.arange(n)
    ambient = use.ambient_c(0.0)
    day = day_use(family, use.km_per_day, use.trips_per_day.astype(np.int64), ambient, use.style, state.clog)
    level, behind = state.charge_ah[rows, weak].copy(), state.sick_behind_ah[rows, weak].copy()
    low = np.zeros(n, dtype=np.float32)
    most = np.select(
        [condition == "joint", condition == "dry-out"],
        [3000.0 * family.discharge_spread_limit_v / family.peak_current_a, MOST_DRY],
        1.25 * level,
    )
    high = most.astype(np.float32)
    top, mid = SEVERITIES[2], SEVERITIES[1]
    between = np.float32((ARRIVAL_SEVERITY - mid) / (top - mid))

    def over(amount: NDArray[np.floating]) -> NDArray[np.bool_]:
        trial = state.take(rows)
        _set_amount(trial, level, behind, condition, weak, amount)
        recentre(family, trial)
        ratio = spread_ratio(family, lookup, trial, day)
        return np.asarray((1 - between) * ratio[1] + between * ratio[2] >= overshoot)

    if state.sick_cells.any():
        few = np.flatnonzero((state.sick_cells[rows, weak] > 0) & ~over(high))
        _make_whole(state, few, weak[few])
        behind[few] = 0
    for _ in range(18):
        half = (low + high) / 2
        tripped = over(half)
        high = np.where(tripped, half, high)
        low = np.where(tripped, low, half)
    amount = high * np.where(condition == "joint", joint_excess, 1)
    if share is not None:
        amount *= share
    _set_amount(state, level, behind, condition, weak, amount)
    recentre(family, state)
    return np.where(np.isin(condition, BY_CHARGE), amount, 0).astype(np.float32)


def _make_whole(state: PackState, rows: NDArray[np.intp], block: NDArray[np.intp]) -> None:
    """Let all cells of a block be as its sick ones are, in place."""
    at = (rows, block)
    state.leak_per_day[at] += state.sick_leak_per_day[at]
    state.capacity_ah[at] *= state.sick_capacity[at]
    state.charge_ah[at] *= state.sick_capacity[at]
    for name in ("sick_cells", "sick_behind_ah", "sick_leak_per_day"):
        getattr(state, name)[at] = 0
    state.sick_capacity[at] = 1


def grow_to_fault(
    family: PackFamily,
    lookup: CurveLookup,
    state: PackState,
    use: UseProcess,
    rng: np.random.Generator,
    rows: NDArray[np.intp],
) -> NDArray[np.bool_]:
    """Drive some packs until their monitor confirms the fault, at most `GROWN_DAYS`, in place.

    Returns
    -------
    bool array, shape (n,)
        Which of them it did; the others' state is that of the last day.
    """
    found = np.zeros(state.packs, dtype=bool)
    waiting = rows
    now = state.take(waiting)
    for step in range(GROWN_DAYS):
        if not len(waiting):
            break
        process = use.take(waiting)
        today = use_of_day(family, process, float(step - GROWN_DAYS), draw_use(rng, len(waiting)), now.clog)
        confirmed, _ = run_day(family, lookup, now, today, draw_day(rng, len(waiting), now.blocks))
        done = waiting[confirmed]
        state.put(done, now.take(confirmed))
        found[done] = True
        now, waiting = now.take(~confirmed), waiting[~confirmed]
    state.put(waiting, now)
    state.pending[rows] = 0
    return found


def draw_population(
    family: PackFamily,
    places: Sequence[Place],
    n: int,
    rng: np.random.Generator,
    first_fault_day: tuple[int, int] = (0, 365),
    laws: PackLaws | None = None,
) -> Population:
    """Draw n packs of a family with their first fault just confirmed.

    Parameters
    ----------
    places : sequence of Place
        Packs are spread evenly over them.
    first_fault_day : tuple of int
        Days of the year between which the first faults fall.
    laws : PackLaws, optional
        The usual world's for each pack unless given.
    """
    laws = PackLaws.usual(n) if laws is None else laws
    grown = laws.way("onset") == "grown"
    spare = rng.permutation(np.flatnonzero(grown))[: int(np.ceil(GROWN_SPARE * grown.sum()))]
    laws = laws.take(np.concatenate([np.arange(n), spare]))
    grown = laws.way("onset") == "grown"
    m = n + len(spare)
    age = _draw(rng, "age_years", m) * laws.number("age")
    odometer = age * _draw(rng, "km_per_year", m)
    use, place = draw_use_process(rng, places, laws, first_fault_day)
    state = draw_sound_state(family, rng, age, laws)
    condition = laws.conditions(rng)
    weak = rng.integers(0, family.blocks, m)
    lookup = CurveLookup.of(family.curves)
    # No maker sets limits that sound packs reach.
    state.limit_factor *= np.maximum(_sound_share(family, lookup, state, use) / laws.number("sound spread"), 1)
    joint_excess = weaken(state, rng, condition, weak, laws, age)
    recentre(family, state)
    overshoot = 1 + (laws.number("overshoot") - 1) * rng.random(m, dtype=np.float32)
    grown &= np.isin(condition, GROWING)
    start = np.where(grown, rng.uniform(*GROWN_FROM, m), 1).astype(np.float32)
    missing = bring_to_fault(family, lookup, state, use, condition, weak, joint_excess, overshoot, start)
    chosen = np.arange(n)
    if grown.any():
        found = grow_to_fault(family, lookup, state, use, rng, np.flatnonzero(grown))
        own = np.arange(m)
        level = np.median(state.charge_ah / state.capacity_ah, axis=1) * state.capacity_ah[own, weak]
        gap = np.maximum(level - state.charge_ah[own, weak] + state.sick_behind_ah[own, weak], 0)
        missing = np.where(grown & ~np.isin(condition, OHMIC), gap, missing).astype(np.float32)
        chosen = _seen(laws.world, grown, found, n)
    return Population(
        state.take(chosen),
        use.take(chosen),
        condition[chosen],
        weak[chosen],
        age[chosen],
        odometer[chosen],
        place[chosen],
        missing[chosen],
        laws.take(chosen),
    )


def _sound_share(family: PackFamily, lookup: CurveLookup, state: PackState, use: UseProcess) -> FloatArray:
    """Spread of packs on a hard trip relative to their limits, shape (n,)."""
    day = day_use(family, use.km_per_day, use.trips_per_day.astype(np.int64), use.ambient_c(0.0), use.style, state.clog)
    return np.asarray(spread_ratio(family, lookup, state, day)[2])


def _seen(world: NDArray[np.intp], grown: NDArray[np.bool_], found: NDArray[np.bool_], n: int) -> NDArray[np.intp]:
    """Choose n packs: in the place of one whose fault nobody found, a spare one of the same world whose was.

    Where a world's spares run out, its first ones come in unfound: weak, and with a code of other cause.
    """
    chosen = np.arange(n)
    spares: dict[int, list[int]] = {}
    for row in np.flatnonzero(found[n:] | ~grown[n:]) + n:
        spares.setdefault(int(world[row]), []).append(int(row))
    for row in np.flatnonzero(grown[:n] & ~found[:n]):
        left = spares.get(int(world[row]))
        if left:
            chosen[row] = left.pop(0)
    return chosen
