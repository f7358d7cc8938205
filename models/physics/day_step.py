"""One day of many packs: leak, loss, swing, recentring, monitoring. The pure heart of the simulation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.cell_curves import CurveLookup
from models.physics.driving import DayUse
from models.physics.monitor import MonitorDraws, draw_monitor, monitor_day, spread_ratio
from models.physics.pack_state import FloatArray, PackState
from models.physics.self_discharge import FRESH_DAYS, FRESH_FACTOR, REFERENCE_C, arrhenius_factor

HYSTERESIS_AH_SHARE: Final = 0.45
"""Charge cycled, as a share of rated capacity, over which a topped block's offset falls by a factor e: it comes
back with use, not with rest. Invented (a few ordinary trips)."""

CENTRE_MEMORY: Final = 0.85
"""Day-to-day correlation of the controller's error in the state of charge. Invented."""

CENTRE_SD: Final = 0.02
"""Standard deviation of that error, as a share of charge. Invented."""


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
    monitor : MonitorDraws
    """

    wander_z: FloatArray
    centre_z: FloatArray
    monitor: MonitorDraws


def draw_day(rng: np.random.Generator, packs: int, blocks: int) -> DayDraws:
    """Draw one day for n packs of b blocks."""
    return DayDraws(
        rng.standard_normal((packs, blocks), dtype=np.float32),
        rng.standard_normal(packs, dtype=np.float32),
        draw_monitor(rng, packs),
    )


def mean_rate_factor(family: PackFamily, use: DayUse) -> FloatArray:
    """Self-discharge of a day relative to 25 °C: the warm and the cold part weighted by their time. Shape (n,)."""
    warm = arrhenius_factor(use.driving_c, family.self_discharge_ev, REFERENCE_C)
    cold = arrhenius_factor(use.ambient_c, family.self_discharge_ev, REFERENCE_C)
    return np.asarray(use.driving_share * warm + (1 - use.driving_share) * cold, dtype=np.float32)


def lose_charge(family: PackFamily, state: PackState, use: DayUse, wander_z: FloatArray) -> None:
    """Let every block lose charge, age and forget its topping charge over a day, in place.

    Parameters
    ----------
    family : PackFamily
    state : PackState
        n packs.
    use : DayUse
        Trips of a day on which the vehicle is not driven are 0, with nothing cycled.
    wander_z : array, shape (n, b)
        Standard normal.
    """
    rate = state.leak_per_day * mean_rate_factor(family, use)[:, None]
    rate *= 1 + np.float32(FRESH_FACTOR - 1) * state.fresh
    # Exact for a constant rate over the day; an empty block has nothing left to leak.
    state.charge_ah += np.expm1(-rate) * np.maximum(state.charge_ah, 0)
    state.charge_ah -= state.loss_per_ah * use.cycled_ah[:, None]
    state.charge_ah += wander_z * state.wander_ah[:, None]
    state.leak_per_day *= 1 + state.leak_growth
    np.minimum(state.leak_per_day, np.float32(MOST_LEAK_PER_DAY), out=state.leak_per_day)
    state.capacity_ah *= 1 - state.fade_per_day
    state.joint_mohm *= 1 + state.joint_growth
    state.fresh *= np.float32(np.exp(-1.0 / FRESH_DAYS))
    state.hysteresis *= np.exp(-use.cycled_ah / np.float32(HYSTERESIS_AH_SHARE * family.rated_ah))[:, None]


def recentre(family: PackFamily, state: PackState) -> None:
    """Let the controller charge or discharge the string until the pack average is at its target, in place.

    All blocks carry the same current, so the same charge is added to each: the weak block stays behind.
    """
    inverse = np.float32(1.0) / state.capacity_ah
    gap = np.float32(family.soc_target) + state.centre_error - (state.charge_ah * inverse).mean(axis=1)
    state.charge_ah += (gap / inverse.mean(axis=1))[:, None]


def run_day(
    family: PackFamily, lookup: CurveLookup, state: PackState, use: DayUse, draws: DayDraws
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Advance packs by one day of use and monitor it.

    Parameters
    ----------
    family : PackFamily
    lookup : CurveLookup
        Of the same family.
    state : PackState
        n packs; changed in place.
    use : DayUse
    draws : DayDraws

    Returns
    -------
    confirmed : bool array, shape (n,)
        The imbalance code was confirmed on this day.
    share : float32 array, shape (n,)
        Share of the day's driving at which it was.
    """
    lose_charge(family, state, use, draws.wander_z)
    state.centre_error *= np.float32(CENTRE_MEMORY)
    state.centre_error += np.float32(CENTRE_SD * np.sqrt(1 - CENTRE_MEMORY**2)) * draws.centre_z
    driven = use.trips > 0
    if driven.all():
        recentre(family, state)
    elif driven.any():
        part = state.take(driven)
        recentre(family, part)
        state.charge_ah[driven] = part.charge_ah
    ratio = spread_ratio(family, lookup, state, use)
    return monitor_day(state.pending, ratio, use.trips, draws.monitor)


def top_up(state: PackState, rows: NDArray[np.intp], blocks: NDArray[np.intp], stored_ah: FloatArray) -> None:
    """Charge one block of some packs with a bench supply, in place.

    Parameters
    ----------
    state : PackState
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
    state.hysteresis[rows, blocks] = np.maximum(state.hysteresis[rows, blocks], share)
    state.fresh[rows, blocks] = 1
