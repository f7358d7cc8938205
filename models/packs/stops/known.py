"""What is known of a pack at a moment, as the stops ask for it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from statistics import median
from typing import Final

import numpy as np

from models.base.arrays import Bools, Floats
from models.base.messages import Said, say_count
from models.packs.contradictions import flows
from models.packs.family import PackFamily
from models.packs.history import LOOKED, BlockReading, Outcome, PackHistory, TopUp, UsagePlan
from models.packs.ledger import standing_of

BEFORE_DRIVING: Final = timedelta(hours=36)
"""So soon after a charge a block still stands on its charge branch. Invented."""

VISIT: Final = timedelta(days=4)
"""Two readings further apart than this do not compare. Invented."""

LOOK_AFTER: Final = timedelta(hours=20)
"""What was done to a block shows by the next day: who looked at it sooner has not seen it. Invented."""


@dataclass(frozen=True)
class Known:
    """What is known at a moment.

    Attributes
    ----------
    readings, rests : tuple of BlockReading
        All, and those at rest with any volts; what is called rest under a current is none.
    volts_v, others_v : array, shape (readings, blocks)
        Volts of each block in each reading, NaN where it was not read, and the median of the others in it.
    at_rest : bool array, shape (readings,)
        Which of all readings are among those at rest.
    fresh : bool array, shape (readings, blocks)
        Whether a reading came right after a charge of the block.
    rest_v : array, shape (blocks,)
        Of each block the newest at rest, V; NaN where it never was read.
    peers_v : array, shape (blocks,)
        Median of the others in the same reading.
    just_charged : bool array, shape (blocks,)
        Whether that reading came right after a charge of the block.
    rest : BlockReading or None
        The newest at rest.
    topup : TopUp or None
        The newest.
    ambient_c : float or None
        Where the pack stands.
    swapped : tuple of datetime or None, length blocks
        When a module of each block was last swapped.
    looks : tuple of datetime
        When somebody looked the pack over and nothing showed.
    looked_after : datetime
        What lies up to this was looked at since, and nothing showed.
    measurings : tuple of datetime
        When each cell of the blocks in doubt was measured and none was bad.
    measured_after : datetime
        What was read up to this was followed by such a measurement.
    insulated : tuple of datetime
        When the insulation was measured and held.
    label_read : bool
        Whether the pack's label was read, and its cells are those of the family: what a pack is made of stays.
    """

    family: PackFamily
    readings: tuple[BlockReading, ...]
    rests: tuple[BlockReading, ...]
    volts_v: Floats
    others_v: Floats
    at_rest: Bools
    fresh: Bools
    rest_v: Floats
    peers_v: Floats
    just_charged: Bools
    rest: BlockReading | None
    topups: tuple[TopUp, ...]
    topup: TopUp | None
    outcomes: tuple[Outcome, ...]
    plans: tuple[UsagePlan, ...]
    ambient_c: float | None
    swapped: tuple[datetime | None, ...]
    looks: tuple[datetime, ...]
    looked_after: datetime
    measurings: tuple[datetime, ...]
    measured_after: datetime
    insulated: tuple[datetime, ...]
    label_read: bool

    @cached_property
    def median_v(self) -> float:
        """Median of all blocks in the newest reading at rest, V; NaN without one."""
        return float("nan") if self.rest is None else median(v for v in self.rest.block_v if v is not None)

    @cached_property
    def its_volts(self) -> bool:
        """Whether the blocks, at rest, read as those of this family can."""
        low, high = rest_window_v(self.family)
        return bool(np.isnan(self.median_v)) or low <= self.median_v <= high

    def noted_as(self, state: str) -> Bools:
        """Which readings are noted as of a state, shape (readings,)."""
        return np.array([r.state == state for r in self.readings], dtype=np.bool_)

    @cached_property
    def current_a(self) -> Floats:
        """Current of each reading, A, 0 where it was not noted, shape (readings,)."""
        return np.array([r.current_a or 0.0 for r in self.readings], dtype=np.float64)

    @cached_property
    def last_c(self) -> tuple[float, ...]:
        """Temperature of the pack as it was last read on the newest visit, °C; empty if it was not read then."""
        read = [r.temperature_c for r in self.readings if self.readings[-1].time - r.time <= VISIT]
        return tuple(c for c in read if c is not None)[-1:]

    def swapped_since(self, time: datetime, block: int) -> bool:
        """Whether a module of a block (from 0) was swapped after a moment."""
        swapped = self.swapped[block]
        return swapped is not None and swapped > time

    def stands(self, code: str, time: datetime, block: int) -> bool:
        """Whether what was done to a block (from 0) at a moment still stands, by what ends it."""
        return bool(self.open_of(code, time)[block])

    def open_of(self, code: str, time: datetime) -> Bools:
        """Return of which blocks what was read at a moment still stands, by what ends it, shape (blocks,)."""
        ends = standing_of(code, self.family.chemistry).ends
        unswapped = np.array([swapped is None or swapped <= time for swapped in self.swapped])
        return (unswapped | ("swap" not in ends)) & (time > self.done_by(code))

    def still(self, code: str, found: Bools) -> Bools:
        """Return the blocks of which something that was found in a reading still stands, shape (blocks,).

        Parameters
        ----------
        found : bool array, shape (readings, blocks)
            Where it was found.
        """
        stands = np.zeros(self.family.blocks, dtype=np.bool_)
        for row in np.flatnonzero(found.any(axis=1)).tolist():
            stands |= found[row] & self.open_of(code, self.readings[row].time)
        return stands

    def newest_still(self, code: str, found: Bools) -> tuple[int, Bools] | None:
        """Return the newest reading in which something was found that still stands, and of which blocks it does."""
        for row in np.flatnonzero(found.any(axis=1))[::-1].tolist():
            stands = found[row] & self.open_of(code, self.readings[row].time)
            if stands.any():
                return row, stands
        return None

    def done_by(self, code: str) -> datetime:
        """Return up to when what warns so was looked at, or its cells were measured."""
        standing = standing_of(code, self.family.chemistry)
        if standing.by_cells:
            return self.measured_after
        return self.looked_after if standing.by_look else datetime.min.replace(tzinfo=UTC)

    @property
    def moments(self) -> list[datetime]:
        """When something was read or charged, in order."""
        return sorted({*(r.time for r in self.readings), *(t.time for t in self.topups)})

    def charges(self, code: str) -> list[TopUp]:
        """Return the charges of which what warns so still stands in some block, the newest first."""
        return [t for t in reversed(self.topups) if any(self.stands(code, t.time, b - 1) for b in t.blocks)]


def volts_of(reading: BlockReading) -> Floats:
    """Return the volts of each block, NaN where it was not read."""
    return np.array(reading.block_v, dtype=np.float64)  # None becomes NaN


def any_volts(reading: BlockReading) -> bool:
    """Whether any block was read; a look or a temperature may be known without."""
    return any(v is not None for v in reading.block_v)


def others_v(volts: Floats) -> Floats:
    """Return for each block the median of the others, in readings of one (blocks,) or of many (n, blocks); so too back.

    NaN of a block without others; one that was not read itself has the median of all.
    """
    rows = np.atleast_2d(volts)
    at, order = np.arange(len(rows))[:, None], rows.argsort(axis=1)  # NaN sorts last
    ordered, rank = rows[at, order], np.empty_like(order)
    rank[at, order] = np.arange(rows.shape[1])
    count = rows.shape[1] - np.isnan(rows).sum(axis=1)[:, None]
    known = rank < count
    low, high = (count - 1 - known) // 2, (count - known) // 2
    # Among the others what lies from its own place on moves up by one.
    low, high = (place + (known & (place >= rank)) for place in (low, high))
    others = (ordered[at, np.maximum(low, 0)] + ordered[at, np.minimum(high, rows.shape[1] - 1)]) / 2
    return np.asarray(np.where(known & (count < 2), np.nan, others).reshape(np.shape(volts)))


def known_at(history: PackHistory, family: PackFamily, at: datetime | None, ambient_c: float | None) -> Known:
    """Gather what is known of a pack by a moment, all of it without one."""
    readings = tuple(r for r in history.readings if at is None or r.time <= at)
    topups = [t for t in history.topups if at is None or t.time <= at]
    volts = np.array([r.block_v for r in readings], dtype=np.float64).reshape(len(readings), family.blocks)
    others, read = others_v(volts), ~np.isnan(volts)
    resting = np.array([r.state == "rest" and not flows(r.current_a, family) for r in readings], dtype=np.bool_)
    at_rest, fresh = resting & read.any(axis=1), _fresh(readings, topups, family)
    rests = tuple(readings[row] for row in np.flatnonzero(at_rest))
    newest, topup = rests[-1] if rests else None, topups[-1] if topups else None
    rest_v, peers_v = np.full(family.blocks, np.nan), np.full(family.blocks, np.nan)
    just_charged = np.zeros(family.blocks, dtype=np.bool_)
    row, of = np.nonzero(at_rest[:, None] & read)  # in order: the newest of a block is put down last
    rest_v[of], peers_v[of], just_charged[of] = volts[row, of], others[row, of], fresh[row, of]
    if ambient_c is None and newest is not None:
        ambient_c = newest.temperature_c
    swapped: list[datetime | None] = [None] * family.blocks
    for charge in topups:
        if charge.also_done == "module-swapped":
            for block in charge.blocks:
                swapped[block - 1] = charge.time
    looks = tuple(r.time for r in readings if r.inspected in LOOKED)
    measurings = tuple(r.time for r in readings if r.inspected == "cells")
    return Known(
        family=family,
        readings=readings,
        rests=rests,
        volts_v=volts,
        others_v=others,
        at_rest=at_rest,
        fresh=fresh,
        rest_v=rest_v,
        peers_v=peers_v,
        just_charged=just_charged,
        rest=newest,
        topups=tuple(topups),
        topup=topup,
        outcomes=tuple(o for o in history.outcomes if at is None or o.time <= at),
        plans=tuple(p for p in history.usage if at is None or p.time is None or p.time <= at),
        ambient_c=ambient_c,
        swapped=tuple(swapped),
        looks=looks,
        looked_after=_done_by(looks),
        measurings=measurings,
        measured_after=_done_by(measurings),
        insulated=tuple(r.time for r in readings if r.inspected == "insulation"),
        label_read=any(r.inspected == "label" for r in readings),
    )


def _done_by(looks: Sequence[datetime]) -> datetime:
    """Return up to when what was done shows by the newest of some looks."""
    return looks[-1] - LOOK_AFTER if looks else datetime.min.replace(tzinfo=UTC)


def _fresh(readings: Sequence[BlockReading], topups: Sequence[TopUp], family: PackFamily) -> Bools:
    """Return of which blocks each reading, in order of time, came right after a charge, shape (readings, blocks)."""
    fresh = np.zeros((len(readings), family.blocks), dtype=np.bool_)
    times = [reading.time for reading in readings]
    for topup in topups:
        first, end = bisect_left(times, topup.time), bisect_right(times, topup.time + BEFORE_DRIVING)
        fresh[first:end, [block - 1 for block in topup.blocks]] = True
    return fresh


def ocv_at(family: PackFamily, soc: float) -> float:
    """Open-circuit voltage of one cell at a state of charge, V."""
    return float(np.interp(soc, family.curves.soc, family.curves.ocv_v))


def rest_window_v(family: PackFamily) -> tuple[float, float]:
    """Between which volts the blocks of a family rest: from empty, on the lower branch, to the limit in use."""
    low = ocv_at(family, 0.0) - family.hysteresis_discharge_v
    return family.cells_per_block * low, family.cells_per_block * family.max_cell_v


def blocks_said(places: Bools) -> Said:
    """Name blocks."""
    numbers = [str(int(b) + 1) for b in np.flatnonzero(places)]
    return say_count("Block %(blocks)s", "Blocks %(blocks)s", len(numbers), blocks=", ".join(numbers))


def moment(time: datetime) -> str:
    """Return a moment, as it is told."""
    return time.isoformat(sep=" ", timespec="minutes")


def day(time: datetime) -> str:
    """Return the day of a moment, as it is told."""
    return time.date().isoformat()
