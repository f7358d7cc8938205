"""The weak block and its peers as they may be: many possible packs, each with its weight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Floats
from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v
from models.topup.draws import carrying

Cause = Literal["low charge", "lost capacity", "joint", "shorted cell", "sound"]

CAUSES: Final[tuple[Cause, ...]] = ("low charge", "lost capacity", "joint", "shorted cell", "sound")
CAUSE_SHARES: Final[Mapping[Cause, float]] = {
    "low charge": 0.61,
    "lost capacity": 0.25,
    "joint": 0.11,
    "shorted cell": 0.015,
    "sound": 0.015,
}
"""What is the matter with a block that stands out, before anything is read. Invented."""

NO_CODE_SHARES: Final[Mapping[Cause, float]] = {
    "low charge": 0.305,
    "lost capacity": 0.125,
    "joint": 0.055,
    "shorted cell": 0.0075,
    "sound": 0.5075,
}
"""The same where no fault code stands, as after a charge: half of such blocks want nothing. Invented."""


@dataclass(frozen=True)
class PossiblePacks:
    """The weak block and its peers in each of n possible packs, with their weights. Arrays of shape (n,).

    Attributes
    ----------
    cause : int array
        Place in `CAUSES`.
    peer_soc, block_soc : array
        State of charge at the moment of the rest reading, as shares.
    offset_ah : array
        Charge of that moment relative to the centre of the swing, common to the string.
    peer_ah, block_ah : array
        Capacity, Ah.
    peer_scale, block_scale : array
        Resistance relative to the family's curve.
    joint_mohm : array
    live_cells : array
    leak_per_day : array
        At 25 °C.
    stretch : array
        Slope of the open-circuit curve relative to the family's, around the target.
    hysteresis : array
        Offset left by a full topping charge relative to the family's.
    ambient_c : array
    driven_km : array
        Since the last charge of the block, up to the newest reading.
    weight : array
        Sums to 1.
    """

    cause: NDArray[np.intp]
    peer_soc: Floats
    block_soc: Floats
    offset_ah: Floats
    peer_ah: Floats
    block_ah: Floats
    peer_scale: Floats
    block_scale: Floats
    joint_mohm: Floats
    live_cells: Floats
    leak_per_day: Floats
    stretch: Floats
    hysteresis: Floats
    ambient_c: Floats
    driven_km: Floats
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
        return carrying(self.weight) / len(self.weight)

    def of(self, cause: Cause) -> NDArray[np.bool_]:
        """Tell which of the packs have this cause."""
        return np.asarray(self.cause == CAUSES.index(cause))


def open_v(family: PackFamily, stretch: Floats, soc: Floats) -> Floats:
    """Open-circuit voltage of a cell where the curve is steeper or flatter than the family's, V. Shape (n,)."""
    middle = ocv_v(family.curves, np.array([family.soc_target]))
    return np.asarray(middle + stretch * (ocv_v(family.curves, soc) - middle))
