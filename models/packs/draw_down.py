"""A pack drawn down by a known charge between two rest readings of one visit, as the readings on record tell it.

All blocks of a string give the same ampere-hours. Those of full capacity sink by less of theirs than a block that has
lost some, so two rest readings with a known charge between them tell what one alone cannot: a block's capacity.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Floats, Rows
from models.packs.family import PackFamily
from models.packs.history import BlockReading, PackHistory

HELD_MOST_C: Final = 1.5
"""Two readings in a row under no more than this, in amperes per rated ampere-hour, are taken as one load held from the
first to the second. A test under load takes more, for seconds. Our choice."""

LEAST_DRAWN_SHARE: Final = 0.05
MOST_DRAWN_SHARE: Final = 0.5
"""Of rated capacity: less tells nothing; more would not have come out of a pack in use. Our choice."""

WITHIN_H: Final = 24.0
"""Hours between the two rest readings of one visit, at most. Our choice."""


@dataclass(frozen=True)
class DrawDownRows:
    """Draw-downs among n readings, by the rows of their rest readings. Arrays of shape (k,), but for the last.

    Attributes
    ----------
    higher, lower : int array
        At rest, before and after the load.
    drawn_ah : array
        Charge drawn from the whole string: current times time between the readings of the load.
    held_h : array
        Hours between them.
    aside_from : array, shape (n,)
        Second from which a reading is known not to show the pack as it stands in use: that of the lower rest reading,
        for it and for the readings of the load; infinite for any other.
    """

    higher: Rows
    lower: Rows
    drawn_ah: Floats
    held_h: Floats
    aside_from: Floats


def draw_down_rows(
    pack: Rows, second: Floats, rest: NDArray[np.bool_], current_a: Floats, rated_ah: Floats, charges: Rows
) -> DrawDownRows:
    """Find the draw-downs among the readings of many packs.

    Parameters
    ----------
    pack : int array, shape (n,)
        Readings are in order of pack and time.
    second : array, shape (n,)
    rest : bool array, shape (n,)
    current_a : array, shape (n,)
        Discharge positive; NaN where not noted.
    rated_ah : array, shape (n,)
    charges : int array, shape (n,)
        Top-ups of the pack by then.
    """
    n = len(pack)
    held = ~rest & (current_a > 0) & (current_a <= HELD_MOST_C * rated_ah)
    step = np.append(False, held[1:] & held[:-1] & (pack[1:] == pack[:-1]))[:n]
    hours = np.where(step, np.diff(second, prepend=second[:1]) / 3600, 0.0)
    mean_a = np.where(step, (current_a + np.roll(current_a, 1)) / 2, 0.0)
    total_h, total_ah = np.cumsum(hours), np.cumsum(mean_a * hours)
    rests = np.flatnonzero(rest)
    one, two = rests[:-1], rests[1:]
    drawn_ah = total_ah[two] - total_ah[one]
    found = (
        (pack[one] == pack[two])
        & (second[two] - second[one] <= 3600 * WITHIN_H)
        & (drawn_ah >= LEAST_DRAWN_SHARE * rated_ah[two])
        & (drawn_ah <= MOST_DRAWN_SHARE * rated_ah[two])
        & (charges[one] == charges[two])
    )
    # For each reading, when the draw-down that it lies in, or ends, was complete.
    ends = np.append(np.where(found, second[two], np.inf), np.inf)
    after = np.cumsum(rest) - 1  # the rest reading that each one is, or follows
    load = (step | np.append(step[1:], False)[:n]) & (after >= 0)
    aside_from = np.where(load, ends[after], np.inf)
    aside_from[two[found]] = second[two[found]]
    return DrawDownRows(one[found], two[found], drawn_ah[found], (total_h[two] - total_h[one])[found], aside_from)


@dataclass(frozen=True)
class DrawDown:
    """Two rest readings of a pack, and the load between them; see `DrawDownRows`."""

    higher: BlockReading
    lower: BlockReading
    loads: tuple[BlockReading, ...]
    drawn_ah: float
    held_h: float


def draw_downs(history: PackHistory, family: PackFamily, at: datetime) -> tuple[DrawDown, ...]:
    """Find the draw-downs on record by a moment, in order."""
    known = [r for r in history.readings if r.time <= at]
    topped = [t.time for t in history.topups]
    n = len(known)
    rows = draw_down_rows(
        np.zeros(n, dtype=np.intp),
        np.array([r.time.timestamp() for r in known]),
        np.array([r.state == "rest" for r in known], dtype=bool),
        np.array([np.nan if r.current_a is None else r.current_a for r in known]),
        np.full(n, family.rated_ah),
        np.array([bisect_right(topped, r.time) for r in known], dtype=np.intp),
    )
    found = []
    for place, (one, two) in enumerate(zip(rows.higher, rows.lower, strict=True)):
        loads = tuple(known[k] for k in range(one + 1, two) if np.isfinite(rows.aside_from[k]))
        found.append(DrawDown(known[one], known[two], loads, float(rows.drawn_ah[place]), float(rows.held_h[place])))
    return tuple(found)


def as_it_stood(history: PackHistory, downs: Sequence[DrawDown]) -> PackHistory:
    """Set aside what was read of the pack while, and after, it was drawn down: it does not stand like that in use."""
    aside = {id(reading) for down in downs for reading in (down.lower, *down.loads)}
    return history.model_copy(update={"readings": tuple(r for r in history.readings if id(r) not in aside)})
