"""The controller's imbalance monitor: spread against its limits, and confirmation on the second driving cycle."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.cell_curves import CurveLookup
from models.physics.driving import MAX_TRIPS, DayUse
from models.physics.pack_state import FloatArray, PackState, rows_of
from models.physics.sick_cells import Places, collapsed_v, sick_places, sick_soc

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


def _below_others(volts: FloatArray, against: NDArray[np.int8], limit_v: FloatArray | None = None) -> FloatArray:
    """How far the lowest block lies below the others (`PackState.spread_against`), shape (n,).

    Where not even the highest block lies `limit_v`, shape (n,), above the lowest, that distance stands for the one to
    the median, which is less.
    """
    low, high = volts.min(axis=1), volts.max(axis=1)
    level = np.where(against == 0, (volts.sum(axis=1) - low) / np.float32(volts.shape[1] - 1), high)
    rows = np.flatnonzero(against == 1 if limit_v is None else (against == 1) & (high - low >= limit_v))
    if len(rows):
        middle = ((volts.shape[1] - 1) // 2, volts.shape[1] // 2)
        ordered = np.partition(np.ascontiguousarray(volts[rows]), middle, axis=1)
        level[rows] = (ordered[:, middle[0]] + ordered[:, middle[1]]) / 2
    return np.asarray(level - low, dtype=np.float32)


@dataclass(frozen=True)
class _Today:
    """What the spreads of n packs on one day rest on; of the k blocks with sick cells, what those do.

    Spreads below `reached`, a multiple of the family's limit, need not be exact; None where all must be.
    """

    family: PackFamily
    lookup: CurveLookup
    soc: FloatArray
    inverse_ah: FloatArray
    live_cells: FloatArray
    own_v: FloatArray
    scale_ohm: FloatArray
    joint_ohm: FloatArray
    stretch: FloatArray | None
    against: NDArray[np.int8]
    depth_ah: FloatArray
    peak_a: FloatArray
    limit_factor: FloatArray
    reached: FloatArray | None
    sick: Places
    sick_cells: FloatArray
    sick_soc: FloatArray
    sick_capacity_ah: FloatArray

    @classmethod
    def of(
        cls, family: PackFamily, lookup: CurveLookup, state: PackState, use: DayUse, reached: FloatArray | None
    ) -> _Today:
        inverse = np.float32(1.0) / state.capacity_ah
        warm = np.exp(np.float32(family.resistance_per_k) * (use.driving_c - np.float32(25.0)))
        at = sick_places(state)
        soc, capacity = sick_soc(state, at)
        return cls(
            family=family,
            lookup=lookup,
            soc=state.charge_ah * inverse,
            inverse_ah=inverse,
            live_cells=state.live_cells,
            own_v=np.float32(family.hysteresis_charge_v) * state.hysteresis,
            scale_ohm=np.float32(1e-3 * family.cells_per_block) * state.resistance_scale * warm[:, None],
            joint_ohm=np.float32(1e-3) * state.joint_mohm,
            stretch=state.ocv_stretch if (state.ocv_stretch != 1).any() else None,
            against=state.spread_against,
            depth_ah=use.depth_ah,
            peak_a=use.peak_a,
            limit_factor=state.limit_factor,
            reached=reached,
            sick=at,
            sick_cells=state.sick_cells[at],
            sick_soc=soc,
            sick_capacity_ah=capacity,
        )

    def take(self, rows: NDArray[np.intp]) -> _Today:
        """Copy some packs."""
        place = np.full(len(self.soc), -1)
        place[rows] = np.arange(len(rows))
        kept = place[self.sick[0]] >= 0
        return replace(
            self,
            soc=rows_of(self.soc, rows),
            inverse_ah=rows_of(self.inverse_ah, rows),
            live_cells=rows_of(self.live_cells, rows),
            own_v=rows_of(self.own_v, rows),
            scale_ohm=rows_of(self.scale_ohm, rows),
            joint_ohm=rows_of(self.joint_ohm, rows),
            stretch=None if self.stretch is None else self.stretch[rows],
            against=self.against[rows],
            depth_ah=self.depth_ah[rows],
            peak_a=self.peak_a[rows],
            limit_factor=self.limit_factor[rows],
            reached=None if self.reached is None else self.reached[rows],
            sick=(place[self.sick[0]][kept], self.sick[1][kept]),
            sick_cells=self.sick_cells[kept],
            sick_soc=self.sick_soc[kept],
            sick_capacity_ah=self.sick_capacity_ah[kept],
        )

    def open_v(self, place: NDArray[np.intp], rows: NDArray[np.intp] | slice) -> FloatArray:
        """Look up the open-circuit voltage of cells of some packs, V, shape of `place`."""
        volts = self.lookup.at(self.lookup.ocv_v, place)
        if self.stretch is None:
            return volts
        middle_v = self.lookup.ocv_v[self.lookup.index(np.array([self.family.soc_target], dtype=np.float32))]
        volts -= middle_v
        volts *= self.stretch[rows][:, None] if volts.ndim == 2 else self.stretch[rows]
        volts += middle_v
        return np.asarray(volts)

    def at_rest(self) -> FloatArray:
        """Return the spread at rest, key on, as a multiple of its limit, shape (n,)."""
        sound = self.open_v(self.lookup.index(self.soc), slice(None))
        volts = self.live_cells * (sound + self.own_v)
        if len(self.sick_cells):
            sick = self.sick_soc
            lost = sound[self.sick] - collapsed_v(self.open_v(self.lookup.index(sick), self.sick[0]), sick)
            volts[self.sick] -= self.sick_cells * lost
        return self._spread(volts, self.family.rest_spread_limit_v)

    def discharged(self, severity: np.float32) -> FloatArray:
        """Return the spread at the low point of the swing under peak discharge, likewise."""
        family, lookup, at = self.family, self.lookup, self.sick
        place = lookup.index(self.soc - (severity * self.depth_ah)[:, None] * self.inverse_ah)
        mohm = lookup.at(lookup.discharge_mohm, place)
        amps = severity * self.peak_a
        sound = self.open_v(place, slice(None))
        volts = self.live_cells * (sound + self.own_v) - amps[:, None] * (mohm * self.scale_ohm + self.joint_ohm)
        if len(self.sick_cells):
            deep = self.sick_soc - severity * self.depth_ah[at[0]] / self.sick_capacity_ah
            there = lookup.index(deep)
            lost = sound[at] - collapsed_v(self.open_v(there, at[0]), deep)
            more_ohm = (lookup.discharge_mohm[there] - mohm[at]) * self.scale_ohm[at]
            volts[at] -= self.sick_cells * (lost + amps[at[0]] * more_ohm / np.float32(family.cells_per_block))
        return self._spread(volts, family.discharge_spread_limit_v)

    def charged(self, severity: np.float32, rows: NDArray[np.intp]) -> FloatArray:
        """Return the spread of some packs at the high point of the swing under charge, likewise; shape (len(rows),)."""
        lookup, inverse = self.lookup, rows_of(self.inverse_ah, rows)
        place = lookup.index(rows_of(self.soc, rows) + (severity * self.depth_ah[rows])[:, None] * inverse)
        mohm = lookup.at(lookup.charge_mohm, place)
        ohm = mohm * rows_of(self.scale_ohm, rows) + rows_of(self.joint_ohm, rows)
        amps = (severity * np.float32(CHARGE_SHARE_OF_PEAK)) * self.peak_a[rows]
        # While the string charges, all its blocks are on the charge branch: nobody's offset stands out.
        volts = rows_of(self.live_cells, rows) * self.open_v(place, rows) + amps[:, None] * ohm
        return self._spread(-volts, self.family.charge_spread_limit_v, rows)

    def _spread(self, volts: FloatArray, limit_v: float, rows: NDArray[np.intp] | slice = slice(None)) -> FloatArray:
        limit = np.float32(limit_v)
        reached = None if self.reached is None else self.reached[rows] * limit
        return _below_others(volts, self.against[rows], reached) / limit


def spread_ratio(
    family: PackFamily, lookup: CurveLookup, state: PackState, use: DayUse, hardest: FloatArray | None = None
) -> FloatArray:
    """Largest spread of a trip as a multiple of its limit, at each of the `SEVERITIES`.

    Parameters
    ----------
    state : PackState
        n packs.
    hardest : array, shape (n,), optional
        Severity that no trip of the day passes. Where the spread stays below its limit at the highest of the
        `SEVERITIES` and no trip is harder than that, nothing can be found: what is given is then some value below 1,
        the same for all severities.

    Returns
    -------
    float32 array, shape (3, n)
        The largest over the operating states: at rest (key on), at the low point of the swing under peak
        discharge, and, where a block comes near full, at the high point under charge. Relative to the limits of
        the pack's own controller.
    """
    *lower, highest = SEVERITIES
    hard = None if hardest is None else hardest > highest
    reached = None if hard is None else np.where(hard, np.float32(0), state.limit_factor)
    today = _Today.of(family, lookup, state, use, reached)
    near_full = today.soc.max(axis=1) > family.soc_high - NEAR_FULL_SHARE

    def at(severity: float, some: _Today, at_rest: FloatArray, full: NDArray[np.intp]) -> FloatArray:
        ratio = np.maximum(at_rest, some.discharged(np.float32(severity)))
        if len(full):
            ratio[full] = np.maximum(ratio[full], some.charged(np.float32(severity), full))
        return np.asarray(ratio / some.limit_factor)

    out = np.empty((len(SEVERITIES), state.packs), dtype=np.float32)
    out[:] = at(highest, today, today.at_rest(), np.flatnonzero(near_full))
    rows = np.arange(state.packs) if hard is None else np.flatnonzero((out[-1] >= 1) | hard)
    if len(rows):
        some = replace(today.take(rows), reached=None)
        at_rest, full = some.at_rest(), np.flatnonzero(near_full[rows])
        for place, severity in enumerate(lower):
            out[place, rows] = at(severity, some, at_rest, full)
    return out


def hardest_trip(state: PackState, use: DayUse, draws: MonitorDraws) -> FloatArray:
    """Return a severity that no trip of the day passes, shape (n,)."""
    z = draws.severity_z[:, : int(use.trips.max(initial=1))].max(axis=1)
    return np.asarray(np.exp(state.severity_sd * z))


def critical_severity(ratio: FloatArray, level: float = 1.0) -> FloatArray:
    """Severity of a trip at which the spread reaches a multiple of its limit.

    Parameters
    ----------
    ratio : array, shape (3, n)
        From `spread_ratio`; rises with severity.

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

    Returns
    -------
    confirmed : bool array, shape (n,)
    share : float32 array, shape (n,)
        Share of the day's driving at which the code was confirmed.
    """
    trips = use.trips
    confirmed = np.zeros(len(trips), dtype=bool)
    share = np.zeros(len(trips), dtype=np.float32)
    # Of the others nothing is found and nothing is pending.
    hard = hardest_trip(state, use, draws) > SEVERITIES[-1]
    rows = np.flatnonzero((ratio.max(axis=0) >= 1) | hard | (state.pending > 0))
    trips, ratio, severity_sd = trips[rows], ratio[:, rows], state.severity_sd[rows]
    log_needed = np.log(np.maximum(critical_severity(ratio), np.float32(1e-9))) / severity_sd
    log_limp = np.log(np.maximum(critical_severity(ratio, LIMP_HOME_RATIO), np.float32(1e-9))) / severity_sd
    allowed = (use.driving_c[rows] >= state.runs_above_c[rows]) & (
        use.cycled_ah[rows] >= state.runs_above_ah[rows] * trips
    )
    runs = (draws.runs_u[rows] < state.monitor_runs[rows, None]) & allowed[:, None]
    severity_z, pending = draws.severity_z[rows], state.pending[rows]
    needed, keeps = state.confirm_after[rows], state.keeps_pending[rows]
    done, when = confirmed[rows], share[rows]
    for trip in range(int(trips.max(initial=0))):
        driven = (trip < trips) & ~done
        z = severity_z[:, trip]
        monitored = driven & runs[:, trip]
        found = monitored & (z > log_needed)
        now = (found & (pending + 1 >= needed)) | (driven & (z > log_limp))
        pending += found
        pending[now | (monitored & ~found & ~keeps)] = 0
        when[now] = (trip + 0.5) / trips[now]
        done |= now
    confirmed[rows], share[rows], state.pending[rows] = done, when, pending
    return confirmed, share
