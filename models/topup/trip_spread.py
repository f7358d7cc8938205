"""The spread that the monitor saw on the trips that confirmed a code, in many possible packs at once."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import ndtr

from models.base.arrays import Floats
from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v, resistance_mohm
from models.physics.driving import DEPTH_SHARE, allowed_current_share
from models.physics.imbalance import HARD_TRIP
from models.physics.monitor import SEVERITIES

FIRST_RATIO: Final = (1.0, 1.2)
LATER_RATIO: Final = (0.9, 2.0)
LIMIT_SD: Final = 0.04
"""Spread on a hard trip relative to its limit, when a code was confirmed for the first time, and when it came back (a
block that leaks goes on sinking until two trips in a row were hard enough); and how much one controller's limits differ
from another's, as a standard deviation of the logarithm. Invented."""


class TripSpread:
    """The spread that the monitor sees on a hard trip, for each possible pack."""

    def __init__(
        self,
        family: PackFamily,
        centre: Floats,
        peer_ah: Floats,
        peer_scale: Floats,
        block_ah: Floats,
        block_scale: Floats,
        style: Floats,
        driving_c: Floats,
    ) -> None:
        self.family, self.block_ah, self.centre = family, block_ah, centre
        self.depth_ah = DEPTH_SHARE * family.rated_ah * style
        self.peak_a = family.peak_current_a * style * allowed_current_share(family, driving_c).astype(np.float64)
        warm = np.exp(family.resistance_per_k * (driving_c - 25.0))
        self.block_ohm = 1e-3 * family.cells_per_block * block_scale * warm
        peer_ohm = 1e-3 * family.cells_per_block * peer_scale * warm
        self.peers = [self._loaded(centre, peer_ah, peer_ohm, severity) for severity in SEVERITIES[1:]]
        self.share = (HARD_TRIP - SEVERITIES[1]) / (SEVERITIES[2] - SEVERITIES[1])

    def _loaded(self, soc: Floats, capacity_ah: Floats, ohm: Floats, severity: float) -> Floats:
        at = soc - severity * self.depth_ah / capacity_ah
        curves = self.family.curves
        open_v = self.family.cells_per_block * ocv_v(curves, at)
        return np.asarray(open_v - severity * self.peak_a * ohm * resistance_mohm(curves, at))

    def ratio(self, block_soc: Floats) -> Floats:
        """Spread relative to its limit, interpolated between severities as the monitor does."""
        family = self.family
        rest = family.cells_per_block * (ocv_v(family.curves, self.centre) - ocv_v(family.curves, block_soc))
        out = np.zeros(len(block_soc))
        for severity, peers, share in zip(SEVERITIES[1:], self.peers, (1 - self.share, self.share), strict=True):
            load = peers - self._loaded(block_soc, self.block_ah, self.block_ohm, severity)
            out += share * np.maximum(load / family.discharge_spread_limit_v, rest / family.rest_spread_limit_v)
        return out

    def log_density(self, block_soc: Floats, *, first: bool) -> Floats:
        """Log density of the block's state of charge, given that the code was confirmed at it and not before."""
        step = 0.004
        below, above = self.ratio(block_soc - step), self.ratio(block_soc + step)
        slope = np.maximum((below - above) / (2 * step), 1e-6)
        ratio = np.maximum((below + above) / 2, 1e-6)
        low, high = FIRST_RATIO if first else LATER_RATIO
        # The ratio reached is uniform from low to high, times this controller's own limit (lognormal).
        share = ndtr(np.log(ratio / low) / LIMIT_SD) - ndtr(np.log(ratio / high) / LIMIT_SD)
        return np.asarray(np.log(np.maximum(share / (high - low), 1e-300)) + np.log(slope))

    def joint_mohm_at(self, target: Floats, block_soc: Floats) -> Floats:
        """Joint resistance that makes up the rest of the spread, mΩ."""
        left = np.maximum(target - self.ratio(block_soc), 0.05) * self.family.discharge_spread_limit_v
        return 1e3 * left / (HARD_TRIP * self.peak_a)
