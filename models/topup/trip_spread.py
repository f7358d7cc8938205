"""The spread that the monitor sees on a hard trip, in many possible packs at once."""

from __future__ import annotations

import numpy as np

from models.base.arrays import Floats
from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v, resistance_mohm
from models.physics.driving import DEPTH_SHARE, allowed_current_share
from models.physics.imbalance import HARD_TRIP
from models.physics.monitor import SEVERITIES


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
        stretch: Floats,
    ) -> None:
        self.family, self.block_ah, self.centre, self.stretch = family, block_ah, centre, stretch
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
        # Voltages are compared only, so that where the curve is stretched around does not matter.
        open_v = self.family.cells_per_block * self.stretch * ocv_v(curves, at)
        return np.asarray(open_v - severity * self.peak_a * ohm * resistance_mohm(curves, at))

    def ratio(self, block_soc: Floats) -> Floats:
        """Spread relative to its limit, interpolated between severities as the monitor does."""
        family = self.family
        fallen = ocv_v(family.curves, self.centre) - ocv_v(family.curves, block_soc)
        rest = family.cells_per_block * self.stretch * fallen
        out = np.zeros(len(block_soc))
        for severity, peers, share in zip(SEVERITIES[1:], self.peers, (1 - self.share, self.share), strict=True):
            load = peers - self._loaded(block_soc, self.block_ah, self.block_ohm, severity)
            out += share * np.maximum(load / family.discharge_spread_limit_v, rest / family.rest_spread_limit_v)
        return out

    def joint_mohm_at(self, target: Floats, block_soc: Floats) -> Floats:
        """Joint resistance that makes up the rest of the spread, mΩ."""
        left = np.maximum(target - self.ratio(block_soc), 0.05) * self.family.discharge_spread_limit_v
        return 1e3 * left / (HARD_TRIP * self.peak_a)
