"""The controller's imbalance monitor: spread against its limits, and confirmation on the second driving cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.cell_curves import CurveLookup
from models.physics.driving import MAX_TRIPS, DayUse
from models.physics.pack_state import FloatArray, PackState

SEVERITIES: Final = (0.65, 1.0, 1.5)
"""Trip severities at which the spread is worked out; between them it is interpolated. 1 is an ordinary trip."""

SEVERITY_SD: Final = 0.18
"""Standard deviation of the logarithm of a trip's severity. Invented."""

MONITOR_RUNS: Final = 0.7
"""Share of driving cycles in which the monitor meets its running conditions. Invented."""

LIMP_HOME_RATIO: Final = 2.2
"""Spread, as a multiple of the limit, at which the lamp comes on at once. Limp-home lamps may do so (13 CCR
§1968.2(d)(2.2.3)); the figure is invented."""

NEAR_FULL_SHARE: Final = 0.08
"""Below the controller's upper end by more than this, no block can stand out under charge: the swing does not carry
it to the steep part of its curve. Invented."""

CHARGE_SHARE_OF_PEAK: Final = 0.55
"""Charging (braking) current of a trip as a share of its peak discharge current. Invented."""


@dataclass(frozen=True)
class MonitorDraws:
    """The random part of a day's monitoring, drawn beforehand so that plans can share it.

    Attributes
    ----------
    severity_z : array, shape (n, MAX_TRIPS)
        Standard normal; the severity of a trip is exp(SEVERITY_SD * z).
    runs_u : array, shape (n, MAX_TRIPS)
        Uniform; the monitor runs in a trip where it lies below `MONITOR_RUNS`.
    """

    severity_z: FloatArray
    runs_u: FloatArray


def draw_monitor(rng: np.random.Generator, packs: int) -> MonitorDraws:
    """Draw a day's monitoring for n packs."""
    shape = (packs, MAX_TRIPS)
    return MonitorDraws(rng.standard_normal(shape, dtype=np.float32), rng.random(shape, dtype=np.float32))


def _below_others(volts: FloatArray) -> FloatArray:
    """How far the lowest block lies below the mean of the others, shape (n,)."""
    low = volts.min(axis=1)
    return np.asarray((volts.sum(axis=1) - low) / np.float32(volts.shape[1] - 1) - low, dtype=np.float32)


def spread_ratio(family: PackFamily, lookup: CurveLookup, state: PackState, use: DayUse) -> FloatArray:
    """Largest spread of a trip as a multiple of its limit, at each of the `SEVERITIES`.

    Parameters
    ----------
    family : PackFamily
    lookup : CurveLookup
    state : PackState
        n packs.
    use : DayUse

    Returns
    -------
    float32 array, shape (3, n)
        The largest over the operating states: at rest (key on), at the low point of the swing under peak
        discharge, and, where a block comes near full, at the high point under charge. Relative to the limits of
        the pack's own controller.
    """
    capacity = state.capacity_ah
    own = np.float32(family.hysteresis_charge_v) * state.hysteresis
    warm = np.exp(np.float32(family.resistance_per_k) * (use.driving_c - np.float32(25.0)))
    scale_ohm = np.float32(1e-3 * family.cells_per_block) * state.resistance_scale * warm[:, None]
    joint_ohm = np.float32(1e-3) * state.joint_mohm
    inverse = np.float32(1.0) / capacity
    soc = state.charge_ah * inverse
    rest = state.live_cells * (lookup.ocv_v[lookup.index(soc)] + own)
    at_rest = _below_others(rest) / np.float32(family.rest_spread_limit_v)
    out = np.empty((len(SEVERITIES), state.packs), dtype=np.float32)
    near_full = soc.max(axis=1) > family.soc_high - NEAR_FULL_SHARE
    for row, severity in enumerate(SEVERITIES):
        step = (np.float32(severity) * use.depth_ah)[:, None] * inverse
        place = lookup.index(soc - step)
        ohm = lookup.discharge_mohm[place] * scale_ohm + joint_ohm
        volts = state.live_cells * (lookup.ocv_v[place] + own) - (np.float32(severity) * use.peak_a)[:, None] * ohm
        ratio = np.maximum(at_rest, _below_others(volts) / np.float32(family.discharge_spread_limit_v))
        if near_full.any():
            rows = np.flatnonzero(near_full)
            place = lookup.index(soc[rows] + step[rows])
            ohm = lookup.charge_mohm[place] * scale_ohm[rows] + joint_ohm[rows]
            amps = (np.float32(severity * CHARGE_SHARE_OF_PEAK) * use.peak_a[rows])[:, None]
            # While the string charges, all its blocks are on the charge branch: nobody's offset stands out.
            above = _below_others(-(state.live_cells[rows] * lookup.ocv_v[place] + amps * ohm))
            ratio[rows] = np.maximum(ratio[rows], above / np.float32(family.charge_spread_limit_v))
        out[row] = ratio / state.limit_factor
    return out


def critical_severity(ratio: FloatArray, level: float = 1.0) -> FloatArray:
    """Severity of a trip at which the spread reaches a multiple of its limit.

    Parameters
    ----------
    ratio : array, shape (3, n)
        From `spread_ratio`; rises with severity.
    level : float

    Returns
    -------
    float32 array, shape (n,)
        Linear between the `SEVERITIES`, and beyond the last two on the same line; 0 if every trip does,
        infinity if none can.
    """
    low, mid, high = SEVERITIES
    tiny = np.float32(1e-6)
    lower = low + (mid - low) * (level - ratio[0]) / np.maximum(ratio[1] - ratio[0], tiny)
    upper = mid + (high - mid) * (level - ratio[1]) / np.maximum(ratio[2] - ratio[1], tiny)
    found = np.where(ratio[1] >= level, lower, upper)
    return np.where(ratio[0] >= level, np.float32(0), np.minimum(found, np.float32(1e6))).astype(np.float32)


def monitor_day(
    pending: NDArray[np.bool_], ratio: FloatArray, trips: NDArray[np.int64], draws: MonitorDraws
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Run the monitor over a day's trips.

    The first detection stores a pending code; a second in the next driving cycle in which the monitor runs
    confirms it; a clean monitored cycle erases the pending one (13 CCR §1968.2(d)(2.2.1) and (2.2.2)).

    Parameters
    ----------
    pending : bool array, shape (n,)
        Changed in place.
    ratio : array, shape (3, n)
    trips : int array, shape (n,)
    draws : MonitorDraws

    Returns
    -------
    confirmed : bool array, shape (n,)
    share : float32 array, shape (n,)
        Share of the day's driving at which the code was confirmed.
    """
    packs = len(trips)
    confirmed = np.zeros(packs, dtype=bool)
    share = np.zeros(packs, dtype=np.float32)
    log_needed = np.log(np.maximum(critical_severity(ratio), np.float32(1e-9))) / np.float32(SEVERITY_SD)
    log_limp = np.log(np.maximum(critical_severity(ratio, LIMP_HOME_RATIO), np.float32(1e-9))) / np.float32(SEVERITY_SD)
    runs = draws.runs_u < np.float32(MONITOR_RUNS)
    most = int(trips.max(initial=0))
    for trip in range(most):
        driven = (trip < trips) & ~confirmed
        z = draws.severity_z[:, trip]
        monitored = driven & runs[:, trip]
        found = monitored & (z > log_needed)
        now = (found & pending) | (driven & (z > log_limp))
        pending &= ~monitored
        pending |= found & ~now
        share[now] = (trip + 0.5) / trips[now]
        confirmed |= now
    return confirmed, share
