"""Readings of one visit whose blocks seem to be counted in another order: from the other end, or from the next."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import Final, Literal

import numpy as np

from models.base.arrays import Floats, Rows

Order = Literal["reversed", "shifted"]

SAME_MV_PER_CELL: Final = 4.0
"""Two readings of a block at one visit that lie no further apart tell the same. Twice a fair meter's error on 12 cells.
Invented."""

LEAST_BLOCKS: Final = 4
"""Fewer blocks than this in both readings show no order. Our choice."""


def other_order(
    now: Sequence[float | None], before: Sequence[float | None], cells: int, charged: Collection[int] = ()
) -> Order | None:
    """Tell in which other order a reading shows every block as an earlier one did, where as it stands it does not.

    Parameters
    ----------
    now, before : sequence of float or None, length blocks
        Volts of each block in the same state.
    cells : int
        In series in a block.
    charged : collection of int
        Blocks, from 1, that were charged between: they tell nothing.

    Returns
    -------
    "reversed", "shifted" or None
        Counted from the other end, or one place further or less far, from either end; None where the blocks read as
        they did, or in no such order.
    """
    same_v = 1e-3 * SAME_MV_PER_CELL * cells
    new, old = _off(now), _off(before)
    if len(new) != len(old) or not (np.nan_to_num(np.abs(new)) > same_v).any():
        return None
    old[[block - 1 for block in charged if block <= len(old)]] = np.nan
    if _alike(new, old, np.arange(len(new)), same_v) is not False:
        return None
    return next((order for order, place in _orders(len(new)) if _alike(new, old, place, same_v)), None)


def _off(volts: Sequence[float | None]) -> Floats:
    """Return how far each block stands from the median of all, V."""
    read = np.array([np.nan if v is None else v for v in volts])
    return read - np.nanmedian(read) if np.isfinite(read).any() else read


def _orders(blocks: int) -> Iterator[tuple[Order, Rows]]:
    """Yield where in the earlier reading each block would stand; a place that is none is out of its bounds."""
    places = np.arange(blocks)
    yield "reversed", places[::-1]
    for by in (1, -1):
        yield "shifted", places + by
        yield "reversed", places[::-1] + by


def _alike(new: Floats, old: Floats, place: Rows, same_v: float) -> bool | None:
    """Whether blocks read alike in an order; None where too few were read in both, or none of them stands out."""
    there = (place >= 0) & (place < len(old))
    then = old[np.where(there, place, 0)]
    both = there & np.isfinite(new) & np.isfinite(then)
    if both.sum() < LEAST_BLOCKS or not (np.abs(new[both]) > same_v).any():
        return None
    return bool((np.abs(new[both] - then[both]) <= same_v).all())
