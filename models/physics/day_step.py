"""One day of many packs: leak, loss, swing, recentring, monitoring. The pure heart of the simulation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.cell_curves import CurveLookup
from models.physics.driving import DayUse
from models.physics.monitor import MonitorDraws, draw_monitor, hardest_trip, monitor_day, spread_ratio
from models.physics.pack_state import FloatArray, PackState
from models.physics.self_discharge import FRESH_DAYS, REFERENCE_C, arrhenius_factor
from models.physics.sick_cells import LOWEST_SHARE, sick_places, sick_soc

LEAST_CHARGE_FACTOR: Final = 0.05
"""Self-discharge never falls below this share of its rate at the target, however empty the block. Invented."""

MOST_LEAK_PER_DAY: Final = 0.6
"""A growing leak stops growing here: the block is then empty within days whatever else happens. Invented."""


@dataclass(frozen=True)
class DayDraws:
    """The random part of one day, drawn beforehand so that plans can be compared on common random numbers.

    Attributes
    ----------
    wander_z : array, shape (n, b)
        Standard normal.
    centre_z : array, shape (n,)
        Standard normal.
    event_u : array, shape (n,)
        Uniform; leaks jump where it lies below `PackState.jump_per_day`.
    """

    wander_z: FloatArray
    centre_z: FloatArray
    monitor: MonitorDraws
    event_u: FloatArray


def draw_day(rng: np.random.Generator, packs: int, blocks: int) -> DayDraws:
    """Draw one day for n packs of b blocks."""
    return DayDraws(
        rng.standard_normal((packs, blocks), dtype=np.float32),
        rng.standard_normal(packs, dtype=np.float32),
        draw_monitor(rng, packs),
        rng.random(packs, dtype=np.float32),
    )


def mean_rate_factor(activation_ev: FloatArray | float, use: DayUse) -> FloatArray:
    """Rate of a day relative to 25 °C: the warm and the cold part weighted by their time. Shape (n,)."""
    warm = arrhenius_factor(use.driving_c, activation_ev, REFERENCE_C)
    cold = arrhenius_factor(use.ambient_c, activation_ev, REFERENCE_C)
    return np.asarray(use.driving_share * warm + (1 - use.driving_share) * cold, dtype=np.float32)


def lose_charge(family: PackFamily, state: PackState, use: DayUse, wander_z: FloatArray, event_u: FloatArray) -> None:
    """Let every block lose charge, age and forget its topping charge over a day, in place.

    Parameters
    ----------
    state : PackState
        n packs.
    use : DayUse
        Trips of a day on which the vehicle is not driven are 0, with nothing cycled.
    wander_z : array, shape (n, b)
        Standard normal.
    event_u : array, shape (n,)
        Uniform.
    """
    factor = mean_rate_factor(state.leak_ev, use)[:, None] * (1 + (state.fresh_factor - 1)[:, None] * state.fresh)
    rate = state.leak_per_day * factor
    by_charge = bool(state.charge_order.any())
    if by_charge:
        rate *= _charge_factor(family, state.charge_order[:, None], state.charge_ah / state.capacity_ah)
    cycle_loss = state.loss_per_ah * use.cycled_ah[:, None]
    drained = bool(state.drain_ah_per_day.any())
    if drained:
        cycle_loss += state.drain_ah_per_day * mean_rate_factor(state.drain_ev, use)[:, None]
    at = sick_places(state)
    if len(at[0]):
        # What the fault takes, it takes from the sick cells alone.
        soc, _ = sick_soc(state, at)
        held = np.maximum(state.charge_ah[at] - state.sick_behind_ah[at], 0)
        sick_rate = state.sick_leak_per_day[at] * factor[at]
        if by_charge:
            sick_rate *= _charge_factor(family, state.charge_order[at[0]], soc)
        state.sick_behind_ah[at] += np.minimum(-np.expm1(-sick_rate) * held + cycle_loss[at], held)
        cycle_loss[at] = 0
    # Exact for a constant rate over the day; an empty block has nothing left to leak.
    state.charge_ah += np.expm1(-rate) * np.maximum(state.charge_ah, 0)
    state.charge_ah -= cycle_loss if not drained else np.where(state.charge_ah > 0, cycle_loss, 0)
    state.charge_ah += wander_z * state.wander_ah[:, None]
    if len(at[0]):
        emptiest = state.charge_ah[at] - np.float32(LOWEST_SHARE) * state.capacity_ah[at]
        state.sick_behind_ah[at] = np.minimum(state.sick_behind_ah[at], emptiest)
    growth = 1 + state.leak_growth
    if state.jump_per_day.any():
        growth *= np.where(event_u[:, None] < state.jump_per_day, state.jump_factor[:, None], np.float32(1))
    state.leak_per_day *= growth
    np.minimum(state.leak_per_day, np.float32(MOST_LEAK_PER_DAY), out=state.leak_per_day)
    if len(at[0]):
        state.sick_leak_per_day[at] = np.minimum(state.sick_leak_per_day[at] * growth[at], MOST_LEAK_PER_DAY)
    if drained:
        most_ah = np.float32(MOST_LEAK_PER_DAY * family.rated_ah)
        state.drain_ah_per_day = np.minimum(state.drain_ah_per_day * growth, most_ah)
    state.resistance_scale *= 1 + state.resistance_growth
    state.capacity_ah *= 1 - state.fade_per_day
    state.joint_mohm *= 1 + state.joint_growth
    state.fresh *= np.float32(np.exp(-1.0 / FRESH_DAYS))
    state.hysteresis *= np.exp(-use.cycled_ah / state.hysteresis_ah - state.hysteresis_relax)[:, None]


def _charge_factor(family: PackFamily, order: FloatArray, soc: FloatArray) -> FloatArray:
    return np.asarray(np.maximum(1 + order * (soc - np.float32(family.soc_target)), np.float32(LEAST_CHARGE_FACTOR)))


def recentre(family: PackFamily, state: PackState, driven: NDArray[np.bool_] | None = None) -> None:
    """Let the controller charge or discharge the string until the pack average is at its target, in place.

    Of all packs, or of those that are `driven`, shape (n,). All blocks carry the same current, so the same charge is
    added to each: the weak block stays behind.
    """
    inverse = np.float32(1.0) / state.capacity_ah
    gap = (
        np.float32(family.soc_target)
        + state.centre_shift
        + state.centre_error
        - (state.charge_ah * inverse).mean(axis=1)
    )
    shift = gap / inverse.mean(axis=1)
    state.charge_ah += (shift if driven is None else np.where(driven, shift, np.float32(0)))[:, None]


def run_day(
    family: PackFamily, lookup: CurveLookup, state: PackState, use: DayUse, draws: DayDraws
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Advance packs by one day of use and monitor it.

    Parameters
    ----------
    lookup : CurveLookup
        Of the same family.
    state : PackState
        n packs; changed in place.

    Returns
    -------
    confirmed : bool array, shape (n,)
        The imbalance code was confirmed on this day.
    share : float32 array, shape (n,)
        Share of the day's driving at which it was.
    """
    lose_charge(family, state, use, draws.wander_z, draws.event_u)
    state.centre_error *= state.centre_memory
    state.centre_error += state.centre_sd * np.sqrt(1 - state.centre_memory**2) * draws.centre_z
    recentre(family, state, use.trips > 0)
    ratio = spread_ratio(family, lookup, state, use, hardest_trip(state, use, draws.monitor))
    return monitor_day(state, ratio, use, draws.monitor)


def top_up(state: PackState, rows: NDArray[np.intp], blocks: NDArray[np.intp], stored_ah: FloatArray) -> None:
    """Charge one block of some packs with a bench supply, in place.

    Parameters
    ----------
    rows, blocks : int array, shape (m,)
        Pack and block (from 0).
    stored_ah : array, shape (m,)
        Charge that stays in the block, Ah.

    Notes
    -----
    Only the topped block moves to its charge branch, in full once about a tenth of its capacity went in; so at
    rest it reads high without as much gain in charge, until the string has cycled.
    """
    capacity = state.capacity_ah[rows, blocks]
    state.charge_ah[rows, blocks] += stored_ah
    share = -np.expm1(-stored_ah / (np.float32(0.1) * capacity))
    size = state.hysteresis_size[rows]
    state.hysteresis[rows, blocks] = np.maximum(state.hysteresis[rows, blocks], size * share)
    state.fresh[rows, blocks] = 1
    # Small sick cells are full before the others.
    least = state.charge_ah[rows, blocks] - capacity * state.sick_capacity[rows, blocks]
    behind = np.maximum(state.sick_behind_ah[rows, blocks], least)
    state.sick_behind_ah[rows, blocks] = np.where(state.sick_cells[rows, blocks] > 0, behind, 0)
