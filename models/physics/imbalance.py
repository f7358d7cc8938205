"""Measures of imbalance: deviation from the pack median, excess resistance, missing charge, the way to the knee."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Floats
from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v, resistance_mohm, soc_from_rest
from models.physics.driving import DEPTH_SHARE, allowed_current_share

HARD_TRIP: Final = 1.15
"""Severity of the trips that confirm a code in everyday use: of several trips a day one is somewhat hard."""

AGED_RESISTANCE: Final = 1.5
"""Resistance of a pack of middle age as a multiple of new: 1.5 to 2.5 at the end of life (from memory, unverified)."""


def pack_median_v(block_v: Floats) -> Floats:
    """Median over the blocks that were read, shape (n,); NaN where none was. `block_v` is (n, b) with NaN gaps."""
    ordered = np.sort(block_v, axis=1)  # NaN sorts last
    count = block_v.shape[1] - np.isnan(block_v).sum(axis=1)
    rows = np.arange(len(block_v))
    upper = ordered[rows, np.minimum(count // 2, block_v.shape[1] - 1)]
    lower = ordered[rows, np.maximum((count - 1) // 2, 0)]
    return np.where(count > 0, (lower + upper) / 2, np.nan)


def deviation_v(block_v: Floats) -> Floats:
    """Deviation of every block from the pack median, V, shape (n, b). Negative: below the others.

    Examples
    --------
    >>> deviation_v(np.array([[15.4, 15.4, 15.1]])).round(2)
    array([[ 0. ,  0. , -0.3]])
    """
    return block_v - pack_median_v(block_v)[:, None]


def robust_scale_v(deviation: Floats) -> Floats:
    """Spread of the sound blocks: 1.4826 times the median absolute deviation, V, shape (n,); NaN without readings."""
    return 1.4826 * pack_median_v(np.abs(deviation))


def weakest_block(deviation: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Lowest block of each row, and how sure that is.

    Parameters
    ----------
    deviation : array, shape (n, b)

    Returns
    -------
    block : int array, shape (n,)
        From 0; 0 in rows without a reading.
    lead : array, shape (n,)
        Distance to the second lowest in robust standard deviations of the others (at least 1 mV each): above 3 there
        is little doubt, near 0 it is a guess. NaN in rows with fewer than two blocks read.
    """
    if deviation.shape[1] < 2:  # nothing was read of any pack
        return np.zeros(len(deviation), dtype=np.intp), np.full(len(deviation), np.nan)
    filled = np.where(np.isnan(deviation), np.inf, deviation)
    order = np.partition(filled, 1, axis=1)
    known = np.isfinite(order[:, 1])
    gap = np.where(known, order[:, 1], 0.0) - np.where(known, order[:, 0], 0.0)
    lead = np.where(known, gap / np.maximum(robust_scale_v(deviation), 1e-3), np.nan)
    return filled.argmin(axis=1), lead


def excess_resistance_mohm(rest_deviation: Floats, load_deviation: Floats, current_a: Floats) -> Floats:
    """Resistance of each block beyond the median, from a rest and a load reading of one visit.

    Parameters
    ----------
    rest_deviation, load_deviation : array, shape (n, b)
        V.
    current_a : array, shape (n,)
        Of the load reading, discharge positive (charge negative).

    Returns
    -------
    array, shape (n, b)
        mΩ: (rest − load) / current. Charge missing shows in both readings and so largely cancels; what is left is
        ohmic. NaN where the current is unknown or under 2 A.
    """
    amps = np.where(np.abs(current_a) >= 2.0, current_a, np.nan)
    return np.asarray(1e3 * (rest_deviation - load_deviation) / amps[:, None])


def missing_charge_share(family: PackFamily, rest_deviation_v: Floats) -> Floats:
    """Charge a block is short of its peers by, from its rest deviation, as a share of rated capacity.

    The peers are taken to stand at the controller's target; the deviation is followed down the open-circuit curve.
    On the plateau 5 to 8 mV per percent on a 12-cell block (derived from NREL ADVISOR ESS_NiMH7_rc_temp and ESS_NIMH6),
    so 0.3 V is about a third.
    """
    target = np.array([family.soc_target])
    at = soc_from_rest(family.curves, ocv_v(family.curves, target)[0] + rest_deviation_v / family.cells_per_block)
    return np.asarray(family.soc_target - at)


@lru_cache(maxsize=512)
def critical_share(family: PackFamily, temperature_c: float) -> float:
    """Missing charge, as a share of rated capacity, at which the spread passes the discharge limit.

    Parameters
    ----------
    temperature_c : float
        Of the pack; colder raises resistance and brings the limit nearer, until the controller allows less current.

    Returns
    -------
    float
        For a block sound but for its charge, on a pack of middle age, on a hard trip (`HARD_TRIP`).
    """
    missing = np.linspace(0.0, family.soc_target + 0.2, 400)
    low = family.soc_target - HARD_TRIP * DEPTH_SHARE
    warm = AGED_RESISTANCE * np.exp(family.resistance_per_k * (temperature_c - 25.0))
    amps = HARD_TRIP * family.peak_current_a * float(allowed_current_share(family, np.array([temperature_c]))[0])

    def loaded(soc: Floats) -> Floats:
        ohm = 1e-3 * resistance_mohm(family.curves, soc) * warm
        return np.asarray(family.cells_per_block * (ocv_v(family.curves, soc) - amps * ohm))

    spread = loaded(np.array([low])) - loaded(low - missing)
    return float(np.interp(family.discharge_spread_limit_v, spread, missing))
