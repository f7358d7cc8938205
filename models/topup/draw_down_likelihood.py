"""What a draw-down between two rest readings says of each possible pack."""

from __future__ import annotations

from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.packs.family import PackFamily
from models.topup.charge_rise import left_over_hysteresis
from models.topup.draws import log_near
from models.topup.evidence import BenchEvidence, DrawnDown
from models.topup.possible_packs import PossiblePacks, open_v

RELAXED_SD_V: Final = 0.002
"""What a load has left of itself in a block's voltage an hour after it, beyond what its peers show too, and all else
that is not weighed, V per cell. Invented; the simulated workshops leave half of it."""


def draw_down_v(family: PackFamily, packs: PossiblePacks, evidence: BenchEvidence, moved_ah: Floats | float) -> Floats:
    """Work out the block's rest deviation, V, with the whole string moved by some charge. Shape (n,).

    Parameters
    ----------
    moved_ah : float or array, shape (n,)
        From where the string stood at the rest reading; negative: drawn.
    """
    own = left_over_hysteresis(family, packs, evidence)
    block_v = open_v(family, packs.stretch, packs.block_soc + moved_ah / packs.block_ah) + own
    peer_v = open_v(family, packs.stretch, packs.peer_soc + moved_ah / packs.peer_ah)
    return np.asarray(packs.live_cells * block_v - family.cells_per_block * peer_v)


def explains_draw_down(
    family: PackFamily,
    packs: PossiblePacks,
    evidence: BenchEvidence,
    drawn: DrawnDown,
    drawn_ah: Floats | float,
    moved_ah: Floats | float,
) -> Floats:
    """Log likelihood of what a draw-down says beyond the rest reading that counts. Shape (n,).

    Parameters
    ----------
    drawn_ah : float or array, shape (n,)
        What was drawn in truth.
    moved_ah : float or array, shape (n,)
        Where the string stood before it, relative to the rest reading that counts; not used where that is its own.
    """
    cells = family.cells_per_block
    sd = float(np.hypot(drawn.lower.sd_v, RELAXED_SD_V * cells))
    if drawn.higher == evidence.rest:
        return log_near(drawn.lower.deviation_v, draw_down_v(family, packs, evidence, -drawn_ah), sd, cells)
    higher = draw_down_v(family, packs, evidence, moved_ah)
    lower = draw_down_v(family, packs, evidence, moved_ah - drawn_ah)
    return np.asarray(
        log_near(drawn.higher.deviation_v, higher, drawn.higher.sd_v, cells)
        + log_near(drawn.lower.deviation_v, lower, sd, cells)
    )
