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
from models.physics.day_step import recentre
from models.physics.driving import day_use
from models.physics.monitor import SEVERITIES, spread_ratio
from models.physics.pack_state import FloatArray, PackState
from models.physics.use_process import UseProcess
from training.simulation.places import Place
from training.simulation.priors import PRIORS

CONDITION_SHARES: Final[Mapping[str, float]] = {
    "leak": 0.42,
    "fade": 0.20,
    "neglect": 0.16,
    "joint": 0.10,
    "leak and fade": 0.05,
    "two leaks": 0.04,
    "shorted cell": 0.015,
    "healthy": 0.015,
}
"""What is really the matter, and how often among packs that come in. Invented."""

KIND_OF_CONDITION: Final[Mapping[str, str]] = {
    "leak": "leak",
    "fade": "fade",
    "neglect": "neglect",
    "joint": "joint",
    "leak and fade": "leak",
    "two leaks": "leak",
    "shorted cell": "leak",
    "healthy": "neglect",
}
"""The kind that a forecast should name: a shorted cell is the extreme leak, a healthy pack needs nothing."""

ARRIVAL_SEVERITY: Final = 1.15
"""Severity of the trips that confirm a first fault: somewhat hard ones, of which each day has a few."""

CAPACITY_WHEN_NEW: Final = 5.995 / 6.5
"""Measured over rated capacity (NREL ADVISOR ESS_NIMH6, five discharges)."""


@dataclass
class Population:
    """n packs of one family as they come in with their first fault.

    Attributes
    ----------
    state : PackState
    use : UseProcess
    condition : object array, shape (n,)
        A key of `CONDITION_SHARES`.
    weak_block : int array, shape (n,)
        From 0.
    age_years, odometer_km : array, shape (n,)
    place : object array, shape (n,)
    deficit_ah : array, shape (n,)
        How much less than its level share the weak block holds, Ah.
    """

    state: PackState
    use: UseProcess
    condition: NDArray[np.object_]
    weak_block: NDArray[np.intp]
    age_years: FloatArray
    odometer_km: FloatArray
    place: NDArray[np.object_]
    deficit_ah: FloatArray


def _draw(rng: np.random.Generator, name: str, *shape: int) -> FloatArray:
    return PRIORS[name].draw(rng, *shape)


def draw_use_process(
    rng: np.random.Generator, places: Sequence[Place], n: int, first_fault_day: tuple[int, int]
) -> tuple[UseProcess, NDArray[np.object_]]:
    """Draw use and climate for n packs, spread evenly over places and over days of the year."""
    which = rng.integers(0, len(places), n)

    def of(name: str) -> FloatArray:
        return np.array([getattr(p, name) for p in places], dtype=np.float32)[which]

    km = np.clip(_draw(rng, "km_per_day", n) * of("km_factor"), 4, 260)
    trips = np.clip(1.0 + km / 14.0 * np.exp(0.3 * rng.standard_normal(n)), 1, 10).astype(np.float32)
    spell = rng.random(n) < 0.12
    use = UseProcess(
        km_per_day=km.astype(np.float32),
        trips_per_day=trips,
        weekend_share=np.where(rng.random(n) < 0.35, 0, _draw(rng, "weekend_share", n)).astype(np.float32),
        parking_start=_draw(rng, "parking_start", n),
        parking_days=np.where(spell, _draw(rng, "parking_days", n), 0).astype(np.float32),
        style=_draw(rng, "style", n),
        season_mean_c=of("mean_c"),
        season_swing_c=of("swing_c"),
        season_peak_day=of("peak_day"),
        start_day_of_year=rng.integers(*first_fault_day, n).astype(np.float32),
        warmth_c=_draw(rng, "warmth_c", n),
    )
    names = np.array([p.name for p in places], dtype=object)[which]
    return use, names


def draw_sound_state(family: PackFamily, rng: np.random.Generator, age_years: FloatArray) -> PackState:
    """Draw packs whose blocks are all sound, only as unequal as their age makes them."""
    n, b = len(age_years), family.blocks
    age = age_years[:, None]

    new_share = CAPACITY_WHEN_NEW if family.chemistry == "nimh" else 1.0
    health = np.clip(1 - 0.013 * age + _draw(rng, "pack_health", n, 1), 0.6, 1.02)
    capacity = (family.rated_ah * new_share * health * _draw(rng, "block_capacity", n, b)).astype(np.float32)
    state = replace(
        PackState.alike(family, n),
        charge_ah=capacity * np.float32(family.soc_target) + family.rated_ah * _draw(rng, "block_charge", n, b),
        capacity_ah=capacity,
        # 1.5 to 2.5 times new at end of life (from memory, unverified): 7 % a year.
        resistance_scale=(1 + np.float32(0.07) * age) * _draw(rng, "block_resistance", n, b),
        joint_mohm=family.cells_per_block * _draw(rng, "block_joint", n, b),
        leak_per_day=family.self_discharge_per_day * (1 + np.float32(0.04) * age) * _draw(rng, "block_leak", n, b),
        fade_per_day=np.full((n, b), 5e-5, dtype=np.float32),
        centre_error=_draw(rng, "centre_error", n),
        clog=np.where(rng.random(n) < 0.25, _draw(rng, "clogged", n), _draw(rng, "clean", n)),
        wander_ah=_draw(rng, "wander", n) * np.float32(family.rated_ah),
        limit_factor=_draw(rng, "limit_factor", n),
    )
    recentre(family, state)
    return state


def weaken(
    state: PackState, rng: np.random.Generator, condition: NDArray[np.object_], weak: NDArray[np.intp]
) -> FloatArray:
    """Give packs their weakness, in place; return how far a bad joint goes beyond the one that just trips.

    The missing charge itself is set by `bring_to_fault`.
    """
    n, b = state.packs, state.blocks
    leak = _draw(rng, "leak", n)
    growth = _draw(rng, "leak_growth", n)
    small_leak = _draw(rng, "neglect_leak", n)
    fade = _draw(rng, "fade", n)
    fade_resistance = _draw(rng, "fade_resistance", n)
    loss = _draw(rng, "fade_loss", n)
    fade_leak = _draw(rng, "fade_leak", n)
    other = (weak + rng.integers(1, b, n)) % b
    other_share = _draw(rng, "second_leak", n)
    joint_excess = _draw(rng, "joint_excess", n)

    def rows(*names: str) -> NDArray[np.intp]:
        return np.flatnonzero(np.isin(condition, names))

    r = rows("leak", "leak and fade", "two leaks")
    state.leak_per_day[r, weak[r]] += leak[r]
    state.leak_growth[r, weak[r]] = growth[r]
    r = rows("two leaks")
    state.leak_per_day[r, other[r]] += leak[r] * other_share[r]
    r = rows("fade", "leak and fade")
    state.capacity_ah[r, weak[r]] *= fade[r]
    state.resistance_scale[r, weak[r]] *= fade_resistance[r]
    state.loss_per_ah[r, weak[r]] = loss[r]
    state.leak_per_day[r, weak[r]] += fade_leak[r]
    state.fade_per_day[r, weak[r]] = 0.0008
    # A block of small capacity that was level would be overfull: it has settled where neither end is reached.
    state.charge_ah[r, weak[r]] = 0.7 * state.capacity_ah[r, weak[r]]
    r = rows("neglect")
    state.leak_per_day[r, weak[r]] += small_leak[r]
    state.capacity_ah[r, weak[r]] *= 0.96
    # Without a defect: no more worn than its neighbours.
    worn = np.median(state.resistance_scale[r], axis=1)
    state.resistance_scale[r, weak[r]] = np.minimum(state.resistance_scale[r, weak[r]], worn)
    r = rows("joint")
    state.joint_growth[r, weak[r]] = 0.002
    r = rows("shorted cell")
    state.live_cells[r, weak[r]] -= 1
    state.leak_per_day[r, weak[r]] += 0.004
    second = np.where(condition == "two leaks", other_share, 0).astype(np.float32)
    # The second weak block of "two leaks" starts part of the way down; others of the pack stay level.
    level = state.charge_ah[np.arange(n), other]
    state.charge_ah[np.arange(n), other] = level * (1 - 0.45 * second * rng.random(n, dtype=np.float32))
    return joint_excess


def bring_to_fault(
    family: PackFamily,
    lookup: CurveLookup,
    population_state: PackState,
    use: UseProcess,
    condition: NDArray[np.object_],
    weak: NDArray[np.intp],
    joint_excess: FloatArray,
    overshoot: FloatArray,
) -> FloatArray:
    """Set the weak block's missing charge (or the joint's resistance) to where the monitor just confirms, in place.

    Found by bisection on the monitor itself at severity `ARRIVAL_SEVERITY`; `overshoot` (shape (n,), from 1) is the
    multiple of the limit reached. Returns the missing charge in Ah, shape (n,).
    """
    state = population_state
    n = state.packs
    rows = np.arange(n)
    ambient = use.ambient_c(0.0)
    day = day_use(family, use.km_per_day, use.trips_per_day.astype(np.int64), ambient, use.style, state.clog)
    level = state.charge_ah[rows, weak].copy()
    by_charge = np.isin(condition, ("leak", "fade", "neglect", "leak and fade", "two leaks"))
    joint = condition == "joint"
    low = np.zeros(n, dtype=np.float32)
    high = np.where(joint, 3000.0 * family.discharge_spread_limit_v / family.peak_current_a, 1.25 * level).astype(
        np.float32
    )
    top, mid = SEVERITIES[2], SEVERITIES[1]
    share = np.float32((ARRIVAL_SEVERITY - mid) / (top - mid))
    for _ in range(18):
        half = (low + high) / 2
        trial = state.take(rows)
        trial.charge_ah[rows, weak] = level - np.where(by_charge, half, 0)
        trial.joint_mohm[rows, weak] += np.where(joint, half, 0)
        recentre(family, trial)
        ratio = spread_ratio(family, lookup, trial, day)
        over = (1 - share) * ratio[1] + share * ratio[2] >= overshoot
        high = np.where(over, half, high)
        low = np.where(over, low, half)
    missing = np.where(by_charge, high, 0).astype(np.float32)
    state.charge_ah[rows, weak] = level - missing
    state.joint_mohm[rows, weak] += np.where(joint, high * joint_excess, 0)
    recentre(family, state)
    return missing


def draw_population(
    family: PackFamily,
    places: Sequence[Place],
    n: int,
    rng: np.random.Generator,
    first_fault_day: tuple[int, int] = (0, 365),
) -> Population:
    """Draw n packs of a family with their first fault just confirmed.

    Parameters
    ----------
    family : PackFamily
    places : sequence of Place
        Packs are spread evenly over them.
    n : int
    rng : Generator
    first_fault_day : tuple of int
        Days of the year between which the first faults fall.

    Returns
    -------
    Population
    """
    age = _draw(rng, "age_years", n)
    odometer = age * _draw(rng, "km_per_year", n)
    use, place = draw_use_process(rng, places, n, first_fault_day)
    state = draw_sound_state(family, rng, age)
    names = np.array(list(CONDITION_SHARES), dtype=object)
    shares = np.array(list(CONDITION_SHARES.values()))
    condition = names[rng.choice(len(names), n, p=shares / shares.sum())]
    weak = rng.integers(0, family.blocks, n)
    joint_excess = weaken(state, rng, condition, weak)
    recentre(family, state)
    overshoot = _draw(rng, "overshoot", n)
    missing = bring_to_fault(
        family, CurveLookup.of(family.curves), state, use, condition, weak, joint_excess, overshoot
    )
    return Population(state, use, condition, weak, age, odometer, place, missing)
