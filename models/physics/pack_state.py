"""The hidden state of many packs of one family: every block, not the weak one alone."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily

FloatArray = NDArray[np.float32]


@dataclass
class PackState:
    """State of n packs of b blocks. Arrays are float32 and are changed in place by the day loop.

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
    pending : bool array, shape (n,)
        A first detection is stored and waits for its confirmation.
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
    pending: NDArray[np.bool_]

    @classmethod
    def alike(cls, family: PackFamily, packs: int) -> PackState:
        """Make new packs whose blocks are all the same, level at the controller's target."""
        shape = (packs, family.blocks)

        def every(value: float) -> FloatArray:
            return np.full(shape, value, dtype=np.float32)

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
            pending=np.zeros(packs, dtype=bool),
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
        return replace(self, **{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    def put(self, rows: NDArray[np.intp] | NDArray[np.bool_], other: PackState) -> None:
        """Write the state of some packs back."""
        for f in fields(self):
            getattr(self, f.name)[rows] = getattr(other, f.name)

    def repeat(self, times: int) -> PackState:
        """Copy every pack `times` times, copies of one pack next to each other."""
        return replace(self, **{f.name: np.repeat(getattr(self, f.name), times, axis=0) for f in fields(self)})

    @classmethod
    def concatenate(cls, parts: list[PackState]) -> PackState:
        """Join packs of the same family."""
        return cls(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)})
