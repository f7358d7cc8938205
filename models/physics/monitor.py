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
from models.physics.sick_cells import collapsed_v, sick_places, sick_soc

SEVERITIES: Final = (0.65, 1.0, 1.5)
"""Trip severities at which the spread is worked out; between them it is interpolated. 1 is an ordinary trip."""

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
        Standard normal; the severity of a trip is exp(severity_sd * z), see `PackState`.
    runs_u : array, shape (n, MAX_TRIPS)
        Uniform; the monitor runs in a trip where it lies below `PackState.monitor_runs`.
    """

    severity_z: FloatArray
    runs_u: FloatArray


def draw_monitor(rng: np.random.Generator, packs: int) -> MonitorDraws:
    """Draw a day's monitoring for n packs."""
    shape = (packs, MAX_TRIPS)
    return MonitorDraws(rng.standard_normal(shape, dtype=np.float32), rng.random(shape, dtype=np.float32))


def _below_others(volts: FloatArray, against: NDArray[np.int8]) -> FloatArray:
    """How far the lowest block lies below the others (`PackState.spread_against`), shape (n,)."""
    low = volts.min(axis=1)
    level = (volts.sum(axis=1) - low) / np.float32(volts.shape[1] - 1)
    rows = np.flatnonzero(against == 1)
    if len(rows):
        level[rows] = np.median(volts[rows], axis=1)
    rows = np.flatnonzero(against == 2)
    if len(rows):
        level[rows] = volts[rows].max(axis=1)
    return np.asarray(level - low, dtype=np.float32)


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
    at = sick_places(state)
    sick, sick_capacity = sick_soc(state, at)
    stretched = bool((state.ocv_stretch != 1).any())
    middle_v = lookup.ocv_v[lookup.index(np.array([family.soc_target], dtype=np.float32))]

    def open_v(place: NDArray[np.int32], rows: NDArray[np.intp] | slice) -> FloatArray:
        volts = lookup.ocv_v[place]
        if not stretched:
            return volts
        stretch = state.ocv_stretch[rows]
        return middle_v + (stretch[:, None] if volts.ndim == 2 else stretch) * (volts - middle_v)

    every = slice(None)
    against = state.spread_against
    sound = open_v(lookup.index(soc), every)
    rest = state.live_cells * (sound + own)
    if len(sick):
        lost = sound[at] - collapsed_v(open_v(lookup.index(sick), at[0]), sick)
        rest[at] -= state.sick_cells[at] * lost
    at_rest = _below_others(rest, against) / np.float32(family.rest_spread_limit_v)
    out = np.empty((len(SEVERITIES), state.packs), dtype=np.float32)
    near_full = soc.max(axis=1) > family.soc_high - NEAR_FULL_SHARE
    for row, severity in enumerate(SEVERITIES):
        step = (np.float32(severity) * use.depth_ah)[:, None] * inverse
        place = lookup.index(soc - step)
        ohm = lookup.discharge_mohm[place] * scale_ohm + joint_ohm
        sound = open_v(place, every)
        amps = (np.float32(severity) * use.peak_a)[:, None]
        volts = state.live_cells * (sound + own) - amps * ohm
        if len(sick):
            deep = sick - np.float32(severity) * use.depth_ah[at[0]] / sick_capacity
            there = lookup.index(deep)
            lost = sound[at] - collapsed_v(open_v(there, at[0]), deep)
            more_ohm = (lookup.discharge_mohm[there] - lookup.discharge_mohm[place[at]]) * scale_ohm[at]
            volts[at] -= state.sick_cells[at] * (lost + amps[at[0], 0] * more_ohm / np.float32(family.cells_per_block))
        ratio = np.maximum(at_rest, _below_others(volts, against) / np.float32(family.discharge_spread_limit_v))
        if near_full.any():
            rows = np.flatnonzero(near_full)
            place = lookup.index(soc[rows] + step[rows])
            ohm = lookup.charge_mohm[place] * scale_ohm[rows] + joint_ohm[rows]
            amps = (np.float32(severity * CHARGE_SHARE_OF_PEAK) * use.peak_a[rows])[:, None]
            sound = open_v(place, rows)
            # While the string charges, all its blocks are on the charge branch: nobody's offset stands out.
            above = _below_others(-(state.live_cells[rows] * sound + amps * ohm), against[rows])
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
    state: PackState, ratio: FloatArray, use: DayUse, draws: MonitorDraws
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Run the monitor over a day's trips.

    The first detection stores a pending code; a second in the next driving cycle in which the monitor runs
    confirms it; a clean monitored cycle erases the pending one (13 CCR §1968.2(d)(2.2.1) and (2.2.2)). A controller may
    ask for another number of detections, or keep what is pending (`PackState.confirm_after`, `keeps_pending`).

    Parameters
    ----------
    state : PackState
        Its ``pending`` is changed in place.
    ratio : array, shape (3, n)
    use : DayUse
    draws : MonitorDraws

    Returns
    -------
    confirmed : bool array, shape (n,)
    share : float32 array, shape (n,)
        Share of the day's driving at which the code was confirmed.
    """
    trips = use.trips
    packs = len(trips)
    confirmed = np.zeros(packs, dtype=bool)
    share = np.zeros(packs, dtype=np.float32)
    log_needed = np.log(np.maximum(critical_severity(ratio), np.float32(1e-9))) / state.severity_sd
    log_limp = np.log(np.maximum(critical_severity(ratio, LIMP_HOME_RATIO), np.float32(1e-9))) / state.severity_sd
    allowed = (use.driving_c >= state.runs_above_c) & (use.cycled_ah >= state.runs_above_ah * trips)
    runs = (draws.runs_u < state.monitor_runs[:, None]) & allowed[:, None]
    pending = state.pending
    most = int(trips.max(initial=0))
    for trip in range(most):
        driven = (trip < trips) & ~confirmed
        z = draws.severity_z[:, trip]
        monitored = driven & runs[:, trip]
        found = monitored & (z > log_needed)
        now = (found & (pending + 1 >= state.confirm_after)) | (driven & (z > log_limp))
        pending += found
        pending[now | (monitored & ~found & ~state.keeps_pending)] = 0
        share[now] = (trip + 0.5) / trips[now]
        confirmed |= now
    return confirmed, share
