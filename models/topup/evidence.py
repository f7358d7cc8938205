"""What is known of a weak block before a charge: its deviations, currents, temperatures and earlier charges."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.base.errors import BadInput
from models.base.messages import say
from models.forecasts.standing import BAD_REST_CELL_V
from models.packs.draw_down import DrawDown, as_it_stood, draw_downs
from models.packs.family import PackFamily
from models.packs.history import BlockReading, PackHistory, State, TopUp
from models.packs.stops import Stop
from models.packs.tables import SECONDS_PER_DAY
from models.physics.imbalance import deviation_v, pack_median_v

FINE_SD_V: Final = 0.005
COARSE_SD_V: Final = 0.016
"""Standard deviation of one reading of a 12-cell block, rounding included, of a meter that shows 0.01 V or less, and of
one that shows less; it shrinks with the square root of the cells in a block. Invented."""

FINE_STEP_V: Final = 0.01
FINE_STEP_SMALL_V: Final = 0.001
"""Coarsest step of a fine meter on a block of several cells, and of one or two."""

FRESH_DAYS: Final = 4.0
"""A reading older than this says how the block stood then, not how it stands now. Invented."""

UNREAD_SHARE: Final = 1 / 3
"""Where more of the blocks than this were not read, the weak one may well be among them. Invented."""

SAME_VISIT: Final = timedelta(hours=2)
"""A reading so shortly before the return was noted is of the pack as it came back: who reads first notes it after.
Invented."""

CURRENT_SD_A: Final = 0.5
"""How exactly a current is noted. Invented."""

DRAWN_SD: Final = 0.03
DRAWN_EDGE_H: Final = 0.01
"""Errors of a charge drawn beside that of the current noted, as standard deviations: the load is not quite steady
(relative), and is put on and taken off a little before or after it is read (hours). Invented."""

BAD_REST_V_PER_CELL: Final = 0.25 / 12
BAD_LOAD_V_PER_CELL: Final = 1.1 / 12
"""Deviations usually called bad, 0.2 to 0.3 V at rest and 1.0 to 1.2 V under load on 12 cells: common practice, no
source."""


@dataclass(frozen=True)
class BlockSnapshot:
    """One reading as it bears on one block.

    Attributes
    ----------
    state : {"rest", "discharge", "charge"}
    deviation_v : float
        Of the block from the median of the others, V.
    median_v : float
        That median, V.
    sd_v : float
        Standard deviation of the deviation that the meter accounts for, V.
    """

    state: State
    time: datetime
    deviation_v: float
    median_v: float
    sd_v: float
    current_a: float | None
    temperature_c: float | None


@dataclass(frozen=True)
class EarlierCharge:
    """A top-up with the rest readings of its block on both sides.

    Attributes
    ----------
    before, after : BlockSnapshot or None
        Last rest reading before it, first one after it.
    wait_h : float
        Hours between the end of the charge and `after`; NaN without it.
    driven_days : float
        Days between the end of the charge and `after` on which it may have driven: 0 within a day and a half.
    """

    topup: TopUp
    before: BlockSnapshot | None
    after: BlockSnapshot | None
    wait_h: float
    driven_days: float


@dataclass(frozen=True)
class DrawnDown:
    """A draw-down of the whole string as it bears on one block.

    Attributes
    ----------
    higher, lower : BlockSnapshot
        At rest, before and after.
    drawn_ah, sd_ah : float
        Charge drawn, and its standard deviation.
    """

    higher: BlockSnapshot
    lower: BlockSnapshot
    drawn_ah: float
    sd_ah: float


@dataclass(frozen=True)
class LowBlock:
    """Another block that is low as well.

    Attributes
    ----------
    block : int
        From 1.
    rest_v, load_v : float
        How far it lies below the median of the others at rest and under load, V; NaN where that was not read.
    """

    block: int
    rest_v: float
    load_v: float


@dataclass(frozen=True)
class BenchEvidence:
    """What bears on the missing charge of one block at one moment.

    Attributes
    ----------
    block : int
        From 1.
    tripped : bool
        The fault code stands: it was confirmed, and nothing was charged since.
    rest, discharge, charge : BlockSnapshot or None
        Newest of each state since the last top-up and return, none older than `FRESH_DAYS`, none of a pack drawn down.
    drawn : DrawnDown or None
        Newest draw-down since the last top-up, none older than `FRESH_DAYS`.
    earlier : tuple of EarlierCharge
        Top-ups of this block, in order.
    also_low : tuple of LowBlock
        The others that in the newest readings are as low at rest as is usually called bad, or the lowest under load.
    lead_v : float or None
        How far the next lowest block lies above this one at rest, V; negative if another block lies lower.
    """

    block: int
    at: datetime
    tripped: bool
    rest: BlockSnapshot | None
    discharge: BlockSnapshot | None
    charge: BlockSnapshot | None
    drawn: DrawnDown | None
    earlier: tuple[EarlierCharge, ...]
    age_years: float | None
    km_per_day: float | None
    ambient_c: float | None
    lead_v: float | None
    also_low: tuple[LowBlock, ...]


def volts_of(reading: BlockReading) -> Floats:
    """Block voltages of a reading, shape (1, blocks), NaN where not read."""
    return np.array([[np.nan if v is None else v for v in reading.block_v]])


def meter_sd_v(family: PackFamily, reading: BlockReading) -> float:
    """Judge the standard deviation of one block voltage, V, by the step in which the reading is written."""
    step = FINE_STEP_V if family.cells_per_block >= 3 else FINE_STEP_SMALL_V
    known = np.array([v for v in reading.block_v if v is not None])
    coarse = known / (2 * step if family.cells_per_block >= 3 else 5 * step)
    is_coarse = bool(np.abs(coarse - np.round(coarse)).max() < 1e-3)
    return (COARSE_SD_V if is_coarse else FINE_SD_V) * float(np.sqrt(family.cells_per_block / 12))


def snapshot(family: PackFamily, reading: BlockReading, block: int) -> BlockSnapshot | None:
    """Read off what a reading says of a block (from 1); None if the block was not read in it."""
    if reading.block_v[block - 1] is None:
        return None
    volts = volts_of(reading)
    peers = np.delete(volts, block - 1, axis=1)
    median = float(pack_median_v(peers)[0])
    own = float(volts[0, block - 1]) - median
    others = int((~np.isnan(peers)).sum())
    # The median of many blocks is known better than the block itself, by 1.25 over the root of their number.
    sd = meter_sd_v(family, reading) * float(np.sqrt(1 + 1.57 / others))
    return BlockSnapshot(reading.state, reading.time, own, median, sd, reading.current_a, reading.temperature_c)


def weak_block_of(family: PackFamily, history: PackHistory, at: datetime) -> int:
    """Block (from 1) that the newest readings make look weakest.

    At rest and under load together, each against what is usually called bad. A block that the newest reading left out
    counts as it was last read, so that no sound block is named in its place.

    Raises
    ------
    BadInput
        If nothing was read since the last top-up and return: there is nothing to tell the weak block by. If the block
        that looks weakest, one of the last top-up, or more than `UNREAD_SHARE` of all were left out.
    """
    since = _fresh(as_it_stood(history, draw_downs(history, family, at)), at)
    total, unread = np.zeros(family.blocks), np.zeros(family.blocks, dtype=np.bool_)
    found = False
    for state, bad in (("rest", BAD_REST_V_PER_CELL), ("discharge", BAD_LOAD_V_PER_CELL)):
        readings = [r for r in reversed(since) if r.state == state]
        if readings:
            low = -deviation_v(volts_of(readings[0]))[0]
            unread |= np.isnan(low)
            for earlier in readings[1:]:
                if not np.isnan(low).any():
                    break
                low = np.where(np.isnan(low), -deviation_v(volts_of(earlier))[0], low)
            total += np.nan_to_num(low) / (bad * family.cells_per_block)
            found = True
    if not found:
        raise BadInput.one(
            "readings",
            "No reading is of the last four days, since the last top-up and return, at rest or under discharge: "
            "which block is weak cannot be told.",
            "Read all blocks at rest, and under load, and add the reading; or name the block.",
        )
    weakest = int(total.argmax())
    charged = next((t.blocks for t in reversed(history.topups) if t.time <= at), ())
    if unread[[weakest, *(block - 1 for block in charged)]].any() or unread.sum() > UNREAD_SHARE * family.blocks:
        left_out = np.flatnonzero(unread) + 1
        which = f"Block {left_out[0]} was" if len(left_out) == 1 else f"Blocks {', '.join(map(str, left_out))} were"
        raise BadInput.one(
            "readings",
            f"{which} not read in the newest readings: which block is weak cannot be told.",
            "Read all blocks first, at rest and under load, and add the readings; or name the block.",
        )
    return weakest + 1


def unread_since_charge(history: PackHistory, at: datetime | None) -> Stop | None:
    """Return the stop of a pack that was charged and of which nobody read the blocks at rest since.

    An amount told then is told of the pack as it stood before that charge: put in, it is put in twice.

    Parameters
    ----------
    at : datetime, optional
        Facts after it are not used; everything on record if left out.
    """
    known = [topup for topup in history.topups if at is None or topup.time <= at]
    if not known:
        return None
    charged = known[-1].time
    if any(r.state == "rest" and charged <= r.time and (at is None or r.time <= at) for r in history.readings):
        return None
    return Stop(
        "unread-since-charge",
        "charging",
        say(
            "The charge of %(when)s is on record, and nobody has read the blocks at rest since: what is missing now is "
            "not known.",
            when=charged.isoformat(sep=" ", timespec="minutes"),
        ),
        say("Do not put it in again. Read all blocks at rest, some hours after that charge, and ask again."),
        "derived: what is missing is told by readings, and these are of before the charge",
    )


def require_read_since_return(history: PackHistory, at: datetime | None) -> None:
    """Raise `BadInput` where the fault came back after the newest reading, and nothing was charged since.

    Parameters
    ----------
    at : datetime, optional
        Facts after it are not used; all are if left out.
    """

    def newest(times: list[datetime]) -> datetime:
        return max((time for time in times if at is None or time <= at), default=datetime.min.replace(tzinfo=UTC))

    back = newest([o.time for o in history.outcomes if o.kind == "returned"])
    read = newest([r.time for r in history.readings])
    if back > newest([t.time for t in history.topups]) and read + SAME_VISIT < back:
        raise BadInput.one(
            "readings",
            f"All readings are from before the fault came back on {back:%Y-%m-%d %H:%M}: how low the block is now is "
            "not known.",
            "Read all blocks at rest, and under load, and add the readings.",
        )


def bench_evidence(
    history: PackHistory, family: PackFamily, block: int, at: datetime, ambient_c: float | None = None
) -> BenchEvidence:
    """Gather what bears on a block's missing charge from the facts known at a moment.

    Parameters
    ----------
    history : PackHistory
        Fits the family.
    block : int
        From 1.
    ambient_c : float, optional
        Temperature where the pack stands; else that of the newest rest reading, else of the newest plan.
    """
    topups = [t for t in history.topups if t.time <= at]
    downs = draw_downs(history, family, at)
    history = as_it_stood(history, downs)
    since = _fresh(history, at)
    fresh = {id(reading) for reading in since}

    def newest(state: State) -> BlockSnapshot | None:
        shots = (snapshot(family, r, block) for r in reversed(since) if r.state == state)
        return next((s for s in shots if s is not None), None)

    rest = newest("rest")
    last_rest = next((r for r in reversed(since) if r.state == "rest"), None)
    lead = None
    if last_rest is not None and rest is not None:
        deviations = deviation_v(volts_of(last_rest))[0]
        others = np.delete(deviations, block - 1)
        lead = float(np.nanmin(others) - deviations[block - 1]) if not np.isnan(others).all() else None
    plans = [u for u in history.usage if u.time is None or u.time <= at]
    ended = [o for o in history.outcomes if o.time <= at]
    returned = bool(ended) and ended[-1].kind == "returned" and (not topups or ended[-1].time >= topups[-1].time)
    if ambient_c is None:
        ambient_c = rest.temperature_c if rest is not None else None
    if ambient_c is None:
        ambient_c = next((u.ambient_c for u in reversed(plans) if u.ambient_c is not None), None)
    return BenchEvidence(
        block=block,
        at=at,
        tripped=not topups or returned,
        rest=rest,
        discharge=newest("discharge"),
        charge=newest("charge"),
        drawn=_drawn(family, [down for down in downs if id(down.higher) in fresh], block),
        earlier=_earlier(history, family, block, at),
        age_years=history.age_years,
        km_per_day=next((u.km_per_day for u in reversed(plans) if u.km_per_day is not None), None),
        ambient_c=ambient_c,
        lead_v=lead,
        also_low=_also_low(since, family, block),
    )


def _also_low(since: list[BlockReading], family: PackFamily, block: int) -> tuple[LowBlock, ...]:
    def low_v(state: State) -> Floats:
        newest = next((r for r in reversed(since) if r.state == state), None)
        return np.full(family.blocks, np.nan) if newest is None else -deviation_v(volts_of(newest))[0]

    rest, load = low_v("rest"), low_v("discharge")
    bad_v = family.cells_per_block * BAD_REST_CELL_V if family.chemistry == "nimh" else np.inf
    error_v = np.sqrt(2) * FINE_SD_V * np.sqrt(family.cells_per_block / 12)
    known = np.nan_to_num(load, nan=-np.inf)
    # Twice the meter's error lower than this one, or it says nothing.
    lowest = (known == known.max()) & (load - load[block - 1] > 2 * error_v)
    bad = rest >= bad_v
    others = np.flatnonzero((bad | lowest) & (np.arange(family.blocks) != block - 1)).tolist()
    return tuple(LowBlock(other + 1, float(rest[other]), float(load[other])) for other in others)


def _drawn(family: PackFamily, downs: list[DrawDown], block: int) -> DrawnDown | None:
    for down in reversed(downs):
        higher, lower = snapshot(family, down.higher, block), snapshot(family, down.lower, block)
        if higher is not None and lower is not None:
            by_current = CURRENT_SD_A / np.sqrt(2) * down.held_h  # it was noted twice
            at_edges = DRAWN_EDGE_H * down.drawn_ah / down.held_h
            sd = float(np.linalg.norm([by_current, at_edges, DRAWN_SD * down.drawn_ah]))
            return DrawnDown(higher, lower, down.drawn_ah, sd)
    return None


def _fresh(history: PackHistory, at: datetime) -> list[BlockReading]:
    """Keep the readings that speak of now.

    None from before the last top-up, or before the fault came back since, none older than `FRESH_DAYS`.
    """
    topups = [t.time for t in history.topups if t.time <= at]
    returns = [o.time - SAME_VISIT for o in history.outcomes if o.kind == "returned" and o.time <= at]
    start = max([at - timedelta(days=FRESH_DAYS), *topups[-1:], *returns[-1:]])
    return [r for r in history.readings if start <= r.time <= at]


def _earlier(history: PackHistory, family: PackFamily, block: int, at: datetime) -> tuple[EarlierCharge, ...]:
    """Return the top-ups of a block with the rest readings around each, in one pass over both."""
    rest = [r for r in history.readings if r.state == "rest" and r.time <= at and r.block_v[block - 1] is not None]
    read = [r.time for r in rest]
    ends = [t.time for t in history.topups]
    found = []
    for topup in history.topups:
        if topup.time > at or block not in topup.blocks:
            continue
        place = bisect_left(ends, topup.time)
        first = bisect_left(read, topup.time)
        last_before = first - 1 if first and (not place or read[first - 1] >= ends[place - 1]) else None
        until = ends[place + 1] if place + 1 < len(ends) else None
        first_after = first if first < len(read) and (until is None or read[first] < until) else None
        before = None if last_before is None else snapshot(family, rest[last_before], block)
        after = None if first_after is None else snapshot(family, rest[first_after], block)
        wait = float("nan") if after is None else (after.time - topup.time).total_seconds() / 3600
        driven = 0.0 if after is None or wait <= 36 else wait / 24 - 1
        found.append(EarlierCharge(topup, before, after, wait, driven))
    return tuple(found)


def days_between(start: datetime, end: datetime) -> float:
    """Days from one moment to another."""
    return (end - start).total_seconds() / SECONDS_PER_DAY
