"""The hidden state of many packs of one family: every block, not the weak one alone."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.self_discharge import FRESH_FACTOR

FloatArray = NDArray[np.float32]
_Number = TypeVar("_Number", bound=np.generic)

HYSTERESIS_AH_SHARE: Final = 0.45
"""Charge cycled, as a share of rated capacity, over which a topped block's offset falls by a factor e: it comes
back with use, not with rest. Invented (a few ordinary trips)."""

CENTRE_MEMORY: Final = 0.85
"""Day-to-day correlation of the controller's error in the state of charge. Invented."""

CENTRE_SD: Final = 0.02
"""Standard deviation of that error, as a share of charge. Invented."""

SEVERITY_SD: Final = 0.18
"""Standard deviation of the logarithm of a trip's severity. Invented."""

MONITOR_RUNS: Final = 0.7
"""Share of driving cycles in which the monitor meets its running conditions. Invented."""


@dataclass
class PackState:
    """State of n packs of b blocks. Arrays are float32 and are changed in place by the day loop.

    Arrays that are made here lie block by block in memory (Fortran order): what is asked of all blocks of a pack is
    then asked of many packs at once.

    Attributes
    ----------
    charge_ah : array, shape (n, b)
        Charge of each block at the pack's centre of swing, Ah.
    capacity_ah : array, shape (n, b)
    resistance_scale : array, shape (n, b)
        Resistance as a multiple of the family's curve.
    joint_mohm : array, shape (n, b)
        Ohmic resistance of bus bars and sense leads beyond the cells, mΩ.
    live_cells : array, shape (n, b)
        Cells of the block that carry voltage (a shorted one does not).
    leak_per_day : array, shape (n, b)
        Share of the charge lost per day at 25 °C, all causes.
    leak_growth : array, shape (n, b)
        Relative growth of `leak_per_day` per day.
    fade_per_day : array, shape (n, b)
        Relative loss of capacity per day.
    joint_growth : array, shape (n, b)
        Relative growth of `joint_mohm` per day.
    loss_per_ah : array, shape (n, b)
        Charge lost per ampere-hour cycled through the pack, relative to a sound block.
    hysteresis : array, shape (n, b)
        Place between the branches relative to the string: 0 as the others, 1 on the charge branch.
    fresh : array, shape (n, b)
        1 just after a topping charge, dying away: the time of highest self-discharge.
    centre_error : array, shape (n,)
        How far the controller's idea of the state of charge is off, as a share; wanders from day to day.
    clog : array, shape (n,)
        Share of the fan's cooling lost to a clogged filter.
    wander_ah : array, shape (n,)
        Standard deviation of a block's unexplained daily change, Ah per square root of a day.
    limit_factor : array, shape (n,)
        Spread limits of this pack's controller relative to its family's: no two measure alike.
    pending : int8 array, shape (n,)
        Detections that are stored and wait for their confirmation.
    sick_cells : array, shape (n, b)
        Cells of the block that are sick, where not all of them are alike; 0 where they are. What is said of a sick
        block above is then true of its other cells.
    sick_behind_ah : array, shape (n, b)
        How much less charge its sick cells hold than its others, Ah.
    sick_capacity : array, shape (n, b)
        Capacity of its sick cells relative to its others.
    sick_leak_per_day : array, shape (n, b)
        Share of their charge that the sick cells lose per day at 25 °C beyond the others.
    drain_ah_per_day : array, shape (n, b)
        A soft short: charge lost per day whatever is left, at 25 °C, Ah; of the sick cells, or of all where they are
        alike. (`loss_per_ah` likewise.)
    jump_per_day : array, shape (n, b)
        Chance of a day that the leaks of the block change at once, by `jump_factor`.
    resistance_growth : array, shape (n, b)
        Relative growth of `resistance_scale` per day.
    leak_ev, drain_ev : array, shape (n,)
        Activation energy of self-discharge, and of soft shorts, eV.
    charge_order : array, shape (n,)
        How much self-discharge rises with charge: relative change per unit of charge around the target.
    fresh_factor : array, shape (n,)
        How many times faster a block loses charge just after a topping charge.
    jump_factor : array, shape (n,)
        By which leaks change when they jump; below 1 they heal.
    hysteresis_size : array, shape (n,)
        Place between the branches after a full topping charge: 1 as the family's.
    hysteresis_ah : array, shape (n,)
        Charge cycled over which that offset falls by a factor e, Ah.
    hysteresis_relax : array, shape (n,)
        Rate at which it dies away by itself, per day.
    ocv_stretch : array, shape (n,)
        Slope of the open-circuit curve relative to the family's, around the target.
    centre_shift : array, shape (n,)
        How far this controller's centre lies from the family's target, as a share of charge.
    centre_memory, centre_sd : array, shape (n,)
        Day-to-day correlation and standard deviation of `centre_error`.
    spread_against : int8 array, shape (n,)
        What the lowest block is held against: 0 the mean of the others, 1 the pack's median, 2 the highest.
    monitor_runs : array, shape (n,)
        Share of driving cycles in which the monitor meets its running conditions.
    severity_sd : array, shape (n,)
        Standard deviation of the logarithm of a trip's severity.
    confirm_after : int8 array, shape (n,)
        Detections that confirm a code.
    keeps_pending : bool array, shape (n,)
        A clean monitored cycle does not erase what is pending.
    runs_above_c : array, shape (n,)
        Pack temperature from which the monitor runs, °C.
    runs_above_ah : array, shape (n,)
        Charge cycled in a trip from which it runs, Ah.
    """

    charge_ah: FloatArray
    capacity_ah: FloatArray
    resistance_scale: FloatArray
    joint_mohm: FloatArray
    live_cells: FloatArray
    leak_per_day: FloatArray
    leak_growth: FloatArray
    fade_per_day: FloatArray
    joint_growth: FloatArray
    loss_per_ah: FloatArray
    hysteresis: FloatArray
    fresh: FloatArray
    centre_error: FloatArray
    clog: FloatArray
    wander_ah: FloatArray
    limit_factor: FloatArray
    pending: NDArray[np.int8]
    sick_cells: FloatArray
    sick_behind_ah: FloatArray
    sick_capacity: FloatArray
    sick_leak_per_day: FloatArray
    drain_ah_per_day: FloatArray
    jump_per_day: FloatArray
    resistance_growth: FloatArray
    leak_ev: FloatArray
    drain_ev: FloatArray
    charge_order: FloatArray
    fresh_factor: FloatArray
    jump_factor: FloatArray
    hysteresis_size: FloatArray
    hysteresis_ah: FloatArray
    hysteresis_relax: FloatArray
    ocv_stretch: FloatArray
    centre_shift: FloatArray
    centre_memory: FloatArray
    centre_sd: FloatArray
    spread_against: NDArray[np.int8]
    monitor_runs: FloatArray
    severity_sd: FloatArray
    confirm_after: NDArray[np.int8]
    keeps_pending: NDArray[np.bool_]
    runs_above_c: FloatArray
    runs_above_ah: FloatArray

    @classmethod
    def alike(cls, family: PackFamily, packs: int) -> PackState:
        """Make new packs whose blocks are all the same, level at the controller's target."""
        shape = (packs, family.blocks)

        def every(value: float) -> FloatArray:
            return np.full(shape, value, dtype=np.float32, order="F")

        def each(value: float) -> FloatArray:
            return np.full(packs, value, dtype=np.float32)

        return cls(
            charge_ah=every(family.soc_target * family.rated_ah),
            capacity_ah=every(family.rated_ah),
            resistance_scale=every(1),
            joint_mohm=every(0),
            live_cells=every(family.cells_per_block),
            leak_per_day=every(family.self_discharge_per_day),
            leak_growth=every(0),
            fade_per_day=every(0),
            joint_growth=every(0),
            loss_per_ah=every(0),
            hysteresis=every(0),
            fresh=every(0),
            centre_error=each(0),
            clog=each(0),
            wander_ah=each(0),
            limit_factor=each(1),
            pending=np.zeros(packs, dtype=np.int8),
            sick_cells=every(0),
            sick_behind_ah=every(0),
            sick_capacity=every(1),
            sick_leak_per_day=every(0),
            drain_ah_per_day=every(0),
            jump_per_day=every(0),
            resistance_growth=every(0),
            leak_ev=each(family.self_discharge_ev),
            drain_ev=each(0),
            charge_order=each(0),
            fresh_factor=each(FRESH_FACTOR),
            jump_factor=each(1),
            hysteresis_size=each(1),
            hysteresis_ah=each(HYSTERESIS_AH_SHARE * family.rated_ah),
            hysteresis_relax=each(0),
            ocv_stretch=each(1),
            centre_shift=each(0),
            centre_memory=each(CENTRE_MEMORY),
            centre_sd=each(CENTRE_SD),
            spread_against=np.zeros(packs, dtype=np.int8),
            monitor_runs=each(MONITOR_RUNS),
            severity_sd=each(SEVERITY_SD),
            confirm_after=np.full(packs, 2, dtype=np.int8),
            keeps_pending=np.zeros(packs, dtype=bool),
            runs_above_c=each(-np.inf),
            runs_above_ah=each(0),
        )

    @property
    def packs(self) -> int:
        """Number of packs."""
        return int(self.charge_ah.shape[0])

    @property
    def blocks(self) -> int:
        """Blocks in each pack."""
        return int(self.charge_ah.shape[1])

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> PackState:
        """Copy the state of some packs."""
        places = np.arange(self.packs)[rows]
        return replace(self, **{f.name: rows_of(getattr(self, f.name), places) for f in fields(self)})

    def put(self, rows: NDArray[np.intp] | NDArray[np.bool_], other: PackState) -> None:
        """Write the state of some packs back."""
        for f in fields(self):
            getattr(self, f.name)[rows] = getattr(other, f.name)

    def repeat(self, times: int) -> PackState:
        """Copy every pack `times` times, copies of one pack next to each other."""
        return self.take(np.repeat(np.arange(self.packs), times))

    @classmethod
    def concatenate(cls, parts: list[PackState]) -> PackState:
        """Join packs of the same family."""
        return cls(**{f.name: np.concatenate([getattr(p, f.name).T for p in parts], axis=-1).T for f in fields(cls)})


def rows_of(values: NDArray[_Number], rows: NDArray[np.intp]) -> NDArray[_Number]:
    """Copy some rows of an array, block by block (Fortran order). Shape (m, b) of (n, b), or (m,) of (n,)."""
    return np.asarray(values.T.take(rows, axis=-1).T)
