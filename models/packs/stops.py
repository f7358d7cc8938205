"""Facts that end the job until something else is done: one table, asked before any figure is given.

A stop withholds every amount, current, duration, gain and promise. Some end charging alone (`Ends`): a pack that stands
in the frost may be forecast, but nothing may be put into it.
"""

from __future__ import annotations

from bisect import bisect
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from statistics import median
from typing import Final, Literal

import numpy as np

from models.base.arrays import Bools, Floats
from models.base.counts import hours
from models.base.errors import TideoverError
from models.base.messages import Said, say, say_count
from models.packs.contradictions import flows
from models.packs.family import PackFamily
from models.packs.history import BlockReading, PackHistory, TopUp

Ends = Literal["everything", "charging"]

COLDEST_C: Final = 0.0
HOTTEST_C: Final = 45.0
"""Nothing is charged outside these. From memory, unverified: the usual charging range of nickel-metal hydride cells."""

HOTTEST_PACK_C: Final = 60.0
"""Nothing is driven on or opened above this. From memory, unverified: where the usual discharging range of such cells
ends."""

BAD_SHARE: Final = 0.25 / 0.7
"""Deviation at rest usually called bad, of the one that the monitor counts: 0.2 to 0.3 V on 12 cells (common practice,
no source) of 0.7 V (invented, as in the families)."""

AROUND_CHARGE: Final = timedelta(hours=1)
"""A temperature read so shortly before or after a charge was its temperature: common practice, no source."""

LOST_SHARE_PER_DAY: Final = 0.6
"""No block loses more of its rated charge in a day, so what several charges put in beyond that cannot have gone in for
good. Up to 20 % in the first day after a charge, about three times as much at 40 °C: an instrument maker's pack manual,
read second-hand."""

BEFORE_DRIVING: Final = timedelta(hours=36)
"""So soon after a charge a block still stands on its charge branch. Invented."""

VISIT: Final = timedelta(days=4)
"""Two readings further apart than this do not compare. Invented."""

NIMH_CELL_V: Final = 1.29
NIMH_CELL_MOHM: Final = 4.5
NIMH_HYSTERESIS_V: Final = 0.09
NIMH_CELLS_V: Final = (1.25, 1.32)
"""One cell of nickel-metal hydride: at rest about mid-charge, its resistance, its hysteresis from one branch to the
other, and what it rests at between 20 and 90 % of charge. NREL ADVISOR data files ESS_NIMH6 and, for the hysteresis,
ESS_NIMH60."""

LITHIUM_CELL_V: Final = 3.7
LITHIUM_CELL_MOHM: Final = 2.4
LITHIUM_CELLS_V: Final = (3.4, 4.2)
"""One lithium-ion cell, likewise: from memory, unverified."""

LITHIUM_RISES: Final = 3.75
NIMH_FALLS: Final = 0.75
"""By what factors the resistance of such cells may differ from that of new ones at 25 °C: lithium-ion up, at the end of
life (2.5 times) and in the cold (1.5 times); nickel-metal hydride down, when warm (2 % a kelvin over a dozen). From
memory, unverified."""

CHEMISTRY_WORDS: Final = {"nimh": say("nickel-metal hydride"), "lithium-ion": say("lithium-ion")}


@dataclass(frozen=True)
class Stop:
    """One fact that ends the job until something else is done.

    Attributes
    ----------
    code : str
        Short and stable, for machines.
    ends : {"everything", "charging"}
    text : str
        What was found, in a sentence.
    instead : str
        What to do instead.
    source : str
        Where the rule comes from.
    """

    code: str
    ends: Ends
    text: str
    instead: str
    source: str


class Stopped(TideoverError):
    """A fact ends the job; `stops` says which, and what to do instead. No figure is given."""

    def __init__(self, stops: tuple[Stop, ...], family: PackFamily) -> None:
        self.stops, self.family = stops, family
        super().__init__(" ".join(stop.text for stop in stops))


@dataclass(frozen=True)
class _Known:
    """What is known at a moment.

    Attributes
    ----------
    family : PackFamily
    readings, rests : tuple of BlockReading
        All, and those at rest; what is called rest under a current is none.
    rest_v : array, shape (blocks,)
        Of each block the newest at rest, V; NaN where it never was read.
    peers_v : array, shape (blocks,)
        Median of the others in the same reading.
    just_charged : bool array, shape (blocks,)
        Whether that reading came right after the block's newest charge.
    rest : BlockReading or None
        The newest at rest.
    before : BlockReading or None
        The newest at rest before the newest charge ended, and after the charge before it.
    topups : tuple of TopUp
    topup : TopUp or None
        The newest.
    ambient_c : float or None
        Where the pack stands.
    """

    family: PackFamily
    readings: tuple[BlockReading, ...]
    rests: tuple[BlockReading, ...]
    rest_v: Floats
    peers_v: Floats
    just_charged: Bools
    rest: BlockReading | None
    before: BlockReading | None
    topups: tuple[TopUp, ...]
    topup: TopUp | None
    ambient_c: float | None

    @cached_property
    def median_v(self) -> float:
        """Median of all blocks in the newest reading at rest, V; NaN without one."""
        return float("nan") if self.rest is None else median(v for v in self.rest.block_v if v is not None)

    @cached_property
    def its_volts(self) -> bool:
        """Whether the blocks, at rest, read as those of this family can."""
        low, high = rest_window_v(self.family)
        return bool(np.isnan(self.median_v)) or low <= self.median_v <= high

    def newest(self, state: str) -> BlockReading | None:
        """Return the newest reading of a state."""
        return next((r for r in reversed(self.readings) if r.state == state), None)


def _volts(reading: BlockReading) -> Floats:
    return np.array([np.nan if v is None else v for v in reading.block_v])


def _others_v(volts: Floats) -> Floats:
    """Median of the other blocks, for each block."""
    known = ~np.isnan(volts)
    ordered, count = np.sort(volts[known]), int(known.sum())
    if count < 2:
        return np.where(known | (count == 0), np.nan, volts[known].sum())
    rank = np.searchsorted(ordered, volts[known])
    low, high = (count - 2) // 2, (count - 1) // 2
    # Among the others what lies from its own place on moves up by one.
    others = (ordered[low + (low >= rank)] + ordered[high + (high >= rank)]) / 2
    out = np.full(len(volts), (ordered[(count - 1) // 2] + ordered[count // 2]) / 2)
    out[known] = others
    return out


def _known(history: PackHistory, family: PackFamily, at: datetime | None, ambient_c: float | None) -> _Known:
    readings = tuple(r for r in history.readings if at is None or r.time <= at)
    topups = [t for t in history.topups if at is None or t.time <= at]
    rest_v, peers_v = np.full(family.blocks, np.nan), np.full(family.blocks, np.nan)
    newest, topup = None, topups[-1] if topups else None
    just_charged = np.zeros(family.blocks, dtype=np.bool_)
    rests = tuple(r for r in readings if r.state == "rest" and not flows(r.current_a, family))
    for reading in reversed(rests):
        newest = newest or reading
        volts = _volts(reading)
        fresh = np.isnan(rest_v) & ~np.isnan(volts)
        if fresh.any():
            rest_v[fresh], peers_v[fresh] = volts[fresh], _others_v(volts)[fresh]
            if topup is not None and topup.time <= reading.time <= topup.time + BEFORE_DRIVING:
                just_charged |= fresh & np.isin(np.arange(1, family.blocks + 1), topup.blocks)
        if not np.isnan(rest_v).any():
            break
    if ambient_c is None and newest is not None:
        ambient_c = newest.temperature_c
    before = None
    if topup is not None:
        since = topups[-2].time if len(topups) > 1 else datetime.min.replace(tzinfo=UTC)
        earlier = (r for r in reversed(rests) if since < r.time <= topup.time)
        before = next(earlier, None)
    return _Known(
        family, readings, rests, rest_v, peers_v, just_charged, newest, before, tuple(topups), topup, ambient_c
    )


def ocv_at(family: PackFamily, soc: float) -> float:
    """Open-circuit voltage of one cell at a state of charge, V."""
    return float(np.interp(soc, family.curves.soc, family.curves.ocv_v))


def rest_window_v(family: PackFamily) -> tuple[float, float]:
    """Between which volts the blocks of a family rest: from empty, on the lower branch, to the limit in use."""
    low = ocv_at(family, 0.0) - family.hysteresis_discharge_v
    return family.cells_per_block * low, family.cells_per_block * family.max_cell_v


def one_cell_down_v(family: PackFamily, peers_v: Floats) -> Floats:
    """Deviation at rest, V, from which a block reads as if a cell were shorted or reversed; below 0, one for each peer.

    One cell's share of what the peers rest at, less what the other cells may stand above them inside the controller's
    window. Derived from the family's curve.
    """
    above = ocv_at(family, family.soc_high) - ocv_at(family, family.soc_target)
    return -(peers_v / family.cells_per_block - (family.cells_per_block - 1) * above)


def _blocks(places: Bools) -> Said:
    numbers = [str(int(b) + 1) for b in np.flatnonzero(places)]
    return say_count("Block %(blocks)s", "Blocks %(blocks)s", len(numbers), blocks=", ".join(numbers))


def _its_volts(known: _Known) -> Said | None:
    if known.its_volts:
        return None
    low, high = rest_window_v(known.family)
    looks = _looks_like(known.median_v, known.family)
    return say_count(
        "The blocks rest at %(volts)s V in the middle; one %(chemistry)s cell, as family %(family)s has it, rests at "
        "%(low)s to %(high)s V. %(looks)s",
        "The blocks rest at %(volts)s V in the middle; %(cells)s %(chemistry)s cells in series, as family %(family)s "
        "has them, rest at %(low)s to %(high)s V. %(looks)s",
        known.family.cells_per_block,
        volts=f"{known.median_v:.2f}",
        cells=known.family.cells_per_block,
        chemistry=CHEMISTRY_WORDS[known.family.chemistry],
        family=known.family.name,
        low=f"{low:.1f}",
        high=f"{high:.1f}",
        looks=looks,
    )


def _looks_like(volts: float, family: PackFamily) -> Said:
    """Say what such volts would fit."""
    cells = round(volts / NIMH_CELL_V)
    per_cell = volts / cells if cells else float("nan")
    if family.chemistry == "nimh" and 1 <= cells < family.cells_per_block:
        return say_count(
            "It looks like readings of one cell each.", "It looks like readings of %(cells)s cells each.", cells,
            cells=cells,
        )  # fmt: skip
    lithium = round(volts / LITHIUM_CELL_V)
    if family.chemistry == "nimh" and lithium >= 1 and _within(volts / lithium, LITHIUM_CELLS_V):
        return say("It looks like lithium-ion cells, or like blocks of more cells.")
    if family.chemistry == "lithium-ion" and _within(per_cell, NIMH_CELLS_V):
        return say("It looks like nickel-metal hydride cells, or like readings of part of a block.")
    return say("The pack is of another kind, was read in another way, or is flat.")


def _within(value: float, span: tuple[float, float]) -> bool:
    return span[0] <= value <= span[1]


def _other_cells(family: PackFamily, volts: float) -> tuple[int, float] | None:
    """How many cells of the other chemistry would rest at these volts, and their resistance in mΩ; None if none do."""
    if family.chemistry == "lithium-ion":
        cells, span, each = round(volts / NIMH_CELL_V), NIMH_CELLS_V, NIMH_CELL_MOHM
    else:
        cells, span, each = round(volts / LITHIUM_CELL_V), LITHIUM_CELLS_V, LITHIUM_CELL_MOHM
    return (cells, cells * each) if cells >= 1 and _within(volts / cells, span) else None


def _sag_mohm(known: _Known, apart_mohm: float) -> float | None:
    """Resistance of the middle block by a reading under load and the rest reading nearest to it, mΩ; None without one.

    The load has to sink the two chemistries further apart than hysteresis moves them.
    """
    family = known.family
    cells = max(family.cells_per_block, round(known.median_v / NIMH_CELL_V))
    least_a = 1e3 * cells * NIMH_HYSTERESIS_V / apart_mohm
    rests = known.rests
    times = [r.time for r in rests]
    for load in reversed(known.readings):
        if load.state != "discharge" or load.current_a is None or load.current_a < least_a:
            continue
        place = bisect(times, load.time)
        near = min(rests[max(place - 1, 0) : place + 1], key=lambda rest: abs(rest.time - load.time))
        if abs(near.time - load.time) <= VISIT:
            sag_v = float(np.nanmedian(_volts(near)) - np.nanmedian(_volts(load)))
            if sag_v > 0:  # else it was read or noted wrong, and tells nothing
                return 1e3 * sag_v / load.current_a
    return None


def _chemistry(known: _Known) -> Said | None:
    family = known.family
    other = None if np.isnan(known.median_v) or not known.its_volts else _other_cells(family, known.median_v)
    if other is None:
        return None
    cells, other_mohm = other
    own_mohm = family.cells_per_block * float(np.interp(family.soc_target, family.curves.soc,
                                                        family.curves.discharge_mohm))  # fmt: skip
    sag = _sag_mohm(known, abs(own_mohm - other_mohm))
    words = {
        "volts": f"{known.median_v:.2f}",
        "own": family.cells_per_block,
        "own_kind": CHEMISTRY_WORDS[family.chemistry],
        "cells": cells,
        "kind": CHEMISTRY_WORDS["nimh" if family.chemistry == "lithium-ion" else "lithium-ion"],
    }
    if sag is None:
        if family.chemistry == "nimh":
            return None
        return say(
            "The blocks rest at %(volts)s V in the middle: %(own)s %(own_kind)s cells would, and so would %(cells)s "
            "%(kind)s cells. No reading under load tells which they are.",
            **words,
        )
    lithium_mohm, nimh_mohm = sorted((own_mohm, other_mohm))
    as_lithium, as_nimh = sag <= LITHIUM_RISES * lithium_mohm, sag >= NIMH_FALLS * nimh_mohm
    if (as_nimh and not as_lithium) == (family.chemistry == "nimh") or as_nimh == as_lithium:
        return None
    return say(
        "The blocks rest at %(volts)s V in the middle and sink under load as %(cells)s %(kind)s cells would, not as "
        "%(own)s %(own_kind)s cells (%(sag)s mΩ where %(ohms)s mΩ is usual).",
        **words,
        sag=f"{sag:.0f}",
        ohms=f"{own_mohm:.0f}",
    )


def _reversed(known: _Known) -> Said | None:
    for state in ("rest", "discharge", "charge"):
        reading = known.newest(state)
        if reading is not None and (below := np.nan_to_num(_volts(reading)) < 0).any():
            return say(
                "%(blocks)s read below 0 V: cells are driven the wrong way round, or the leads are crossed.",
                blocks=_blocks(below),
            )
    return None


def _below_floor(known: _Known) -> Said | None:
    family = known.family
    floor = family.cells_per_block * family.min_cell_v
    low = known.rest_v < floor
    if family.chemistry == "lithium-ion":
        # Under load too, and at any time: what it did to the cell stays.
        for reading in known.readings:
            low |= np.nan_to_num(_volts(reading), nan=np.inf) < floor
    if not low.any() or not known.its_volts:
        return None
    return say(
        "%(blocks)s read below %(floor)s V, that is %(least)s V a cell: cells were driven below their floor and may be "
        "reversed.",
        blocks=_blocks(low),
        floor=f"{floor:g}",
        least=f"{family.min_cell_v:g}",
    )


def _cell_down(known: _Known) -> Said | None:
    if not known.its_volts:
        return None
    family = known.family
    allowed = np.where(known.just_charged, (family.cells_per_block - 1) * family.hysteresis_charge_v, 0.0)
    now = _furthest_down(family, known.rest_v, known.peers_v, allowed)
    if now is not None:
        block, volts, cells = now
        return say_count(
            "Block %(block)s rests %(volts)s V below its peers, about what one of its cells is worth: one of its "
            "%(all)s cells is probably shorted or reversed.",
            "Block %(block)s rests %(volts)s V below its peers, about what %(cells)s of its cells are worth: %(cells)s "
            "of its %(all)s cells are probably shorted or reversed.",
            cells,
            block=block,
            volts=f"{volts:.2f}",
            cells=cells,
            all=family.cells_per_block,
        )
    if known.before is None:
        return None
    volts_then = _volts(known.before)
    then = _furthest_down(family, volts_then, _others_v(volts_then), np.zeros(family.blocks))
    if then is None:
        return None
    block, volts, cells = then
    return say(
        "Before the charge block %(block)s rested %(volts)s V below its peers, as with %(cells)s of its %(all)s cells "
        "shorted or reversed. A charge mends no such cell.",
        block=block,
        volts=f"{volts:.2f}",
        cells=cells,
        all=family.cells_per_block,
    )


def _furthest_down(
    family: PackFamily, rest_v: Floats, peers_v: Floats, allowed_v: Floats
) -> tuple[int, float, int] | None:
    """Block (from 1) that rests a cell's worth or more below its peers, by how many V, and cells that are worth it."""
    off = rest_v - peers_v
    limit = one_cell_down_v(family, peers_v) + allowed_v
    down = np.nan_to_num(off, nan=0.0) <= np.nan_to_num(limit, nan=-np.inf)
    if not down.any():
        return None
    worst = int(np.argmin(np.where(down, off, np.inf)))
    cells = min(max(round(-off[worst] * family.cells_per_block / peers_v[worst]), 1), family.cells_per_block)
    return worst + 1, float(-off[worst]), cells


def _over_voltage(known: _Known) -> Said | None:
    family, topup = known.family, known.topup
    most = family.cells_per_block * family.max_cell_v
    words = {"most": f"{most:g}", "each": f"{family.max_cell_v:g}"}
    if topup is not None and topup.end_v is not None and topup.end_v > most:
        return say(
            "Block %(block)s was charged up to %(volts)s V, past %(most)s V (%(each)s V a cell): it was overcharged.",
            block=topup.blocks[0],
            volts=f"{topup.end_v:g}",
            **words,
        )
    over = np.nan_to_num(known.rest_v, nan=0.0) > most
    charging = known.newest("charge")
    # A car that brakes hard may pass the limit for seconds; a bench supply never does.
    if charging is not None and (charging.current_a is None or -charging.current_a <= family.rated_ah):
        over |= np.nan_to_num(_volts(charging), nan=0.0) > most
    if not over.any() or not known.its_volts:
        return None
    return say("%(blocks)s read above %(most)s V (%(each)s V a cell).", blocks=_blocks(over), **words)


def _overfilled(known: _Known) -> Said | None:
    topup = known.topup
    if topup is None:
        return None
    rated = known.family.rated_ah
    for block in topup.blocks:
        charges = [t for t in known.topups if block in t.blocks and t.charge_ah is not None]
        put_in = 0.0
        for count, charge in enumerate(reversed(charges), start=1):
            put_in += charge.charge_ah or 0.0
            apart = topup.time - charge.time
            if count > 1 and put_in > rated * (1 + LOST_SHARE_PER_DAY * (apart / timedelta(days=1))):
                return say(
                    "%(charge)s Ah were put into block %(block)s by %(count)s charges within %(time)s. It holds "
                    "%(rated)s Ah when new and cannot have lost so much between them: it was overcharged, or a charge "
                    "was written down twice.",
                    charge=f"{put_in:g}",
                    block=block,
                    count=count,
                    time=hours(max(round(apart / timedelta(hours=1)), 1)),
                    rated=f"{rated:g}",
                )
    if topup.charge_ah is None or topup.charge_ah <= rated:
        return None
    return say(
        "%(charge)s Ah were put into block %(block)s, which holds %(rated)s Ah when new: it was overcharged, or the "
        "charge was written down wrong.",
        charge=f"{topup.charge_ah:g}",
        block=topup.blocks[0],
        rated=f"{known.family.rated_ah:g}",
    )


def _charge_temperatures(known: _Known) -> list[float]:
    topup = known.topup
    if topup is None:
        return []
    start = topup.time - timedelta(hours=topup.duration_h or 0.0) - AROUND_CHARGE
    read = [r for r in known.readings if start <= r.time <= topup.time + AROUND_CHARGE]
    return [r.temperature_c for r in read if r.temperature_c is not None]


def _charged_cold(known: _Known) -> Said | None:
    coldest = min(_charge_temperatures(known), default=COLDEST_C)
    if coldest >= COLDEST_C:
        return None
    return say(
        "The pack was charged at %(read)s °C, below %(coldest)s °C: cells that cold gas instead of filling.",
        read=f"{coldest:g}",
        coldest=f"{COLDEST_C:g}",
    )


def _charged_hot(known: _Known) -> Said | None:
    hottest = max(_charge_temperatures(known), default=HOTTEST_C)
    if hottest <= HOTTEST_C:
        return None
    return say(
        "The pack was charged at %(read)s °C, past %(hottest)s °C.", read=f"{hottest:g}", hottest=f"{HOTTEST_C:g}"
    )


def _hot(known: _Known) -> Said | None:
    read = [r.temperature_c for r in known.readings if r.temperature_c is not None]
    if not read or read[-1] < HOTTEST_PACK_C:
        return None
    return say(
        "The pack was last read at %(read)s °C, past %(hottest)s °C.",
        read=f"{read[-1]:g}",
        hottest=f"{HOTTEST_PACK_C:g}",
    )


def _wrong_block(known: _Known) -> Said | None:
    topup = known.topup
    if topup is None or not known.its_volts:
        return None
    bad = BAD_SHARE * known.family.rest_spread_limit_v
    start = topup.time - timedelta(hours=topup.duration_h or 0.0)
    rests = known.rests
    earlier = [r for r in rests if start - VISIT <= r.time <= start]
    if not earlier:
        return None
    before = _volts(earlier[-1])
    off = before - _others_v(before)
    charged = np.zeros(known.family.blocks, dtype=np.bool_)
    charged[[b - 1 for b in topup.blocks]] = True
    later = next((r for r in rests if topup.time <= r.time <= topup.time + VISIT), None)
    if later is not None:
        after = _volts(later)
        rise = np.nan_to_num(after - _others_v(after) - off, nan=0.0)
        other = int(np.argmax(np.where(charged, -np.inf, rise)))
        if rise[other] >= bad and (rise[charged] < rise[other] / 2).all():
            return say(
                "Block %(block)s is noted as charged, but block %(other)s rose by %(rise)s V against the others: "
                "another block was charged than was noted.",
                block=topup.blocks[0],
                other=other + 1,
                rise=f"{rise[other]:.2f}",
            )
    low = np.nan_to_num(off, nan=0.0)
    worst = int(np.argmin(low))
    loads = [r for r in known.readings if r.state == "discharge" and start - VISIT <= r.time <= start]
    if loads and charged[int(np.nanargmin(_volts(loads[-1]) - _others_v(_volts(loads[-1]))))]:
        return None
    if charged[worst] or low[worst] > -bad or (low[charged] <= low[worst] / 2).any():
        return None
    if later is not None and (_volts(later) - _others_v(_volts(later)))[worst] > -bad / 2:
        return None
    return say(
        "Block %(block)s was charged, but block %(other)s was the low one before it, at %(low)s V against the others: "
        "the wrong block was charged and may now be overfull.",
        block=topup.blocks[0],
        other=worst + 1,
        low=f"{low[worst]:+.2f}",
    )


def _lithium(known: _Known) -> Said | None:
    if known.family.chemistry != "lithium-ion":
        return None
    return say(
        "The cells are lithium-ion: nothing is put into a block by hand. Such a cell, charged outside its own "
        "management system, can burn and cannot be put out."
    )


def _too_cold(known: _Known) -> Said | None:
    if known.ambient_c is None or known.ambient_c >= COLDEST_C:
        return None
    return say(
        "The pack stands at %(ambient)s °C: never charge below %(coldest)s °C.",
        ambient=f"{known.ambient_c:g}",
        coldest=f"{COLDEST_C:g}",
    )


def _too_hot(known: _Known) -> Said | None:
    read = [r.temperature_c for r in known.readings if r.temperature_c is not None]
    warmest = max([c for c in (known.ambient_c, *read[-1:]) if c is not None], default=None)
    if warmest is None or warmest < HOTTEST_C:
        return None
    return say(
        "The pack stands at %(ambient)s °C: never charge past %(hottest)s °C.",
        ambient=f"{warmest:g}",
        hottest=f"{HOTTEST_C:g}",
    )


@dataclass(frozen=True)
class StopRule:
    """One row of the table.

    Attributes
    ----------
    code : str
    ends : {"everything", "charging"}
    find : callable
        Returns the sentence of what was found, or None.
    instead, source : str
    """

    code: str
    ends: Ends
    find: Callable[[_Known], Said | None]
    instead: Said
    source: str


_NOT_CHARGED_ON = say(
    "Charge nothing and do not drive on it. Have the block measured cell by cell by somebody licensed to, and replaced "
    "where that shows a bad cell."
)
_LOOK = say(
    "Charge nothing more and do not drive on it. Let it stand in a ventilated place, look for swelling, leaks and "
    "heat, and read all blocks at rest a day later; replace the block where anything shows."
)
_PRACTICE: Final = "common practice, no source"
_CURVE: Final = "derived from the family's own curve (source there)"
_LIMIT: Final = (
    "NREL ADVISOR data file ESS_NIMH6 for nickel-metal hydride (1.0 and 1.5 V a cell), else the family's own"
)

STOPS: Final[tuple[StopRule, ...]] = (
    StopRule(
        "hot-pack",
        "everything",
        _hot,
        say(
            "Keep away, nobody opens or charges it, open doors and move what burns; let it cool by itself and call the "
            "fire service if it warms on, smokes or smells."
        ),
        "from memory, unverified: the usual discharging range of such cells ends at 60 °C",
    ),
    StopRule(
        "not-its-volts",
        "everything",
        _its_volts,
        say(
            "Do not go by any figure: check on the pack what cells it has, name the right family, and enter volts a "
            "block, not "
            "a cell, a module or the whole string. If it is flat throughout, it is no case for a bench charge."
        ),
        _CURVE,
    ),
    StopRule(
        "chemistry",
        "everything",
        _chemistry,
        say(
            "Read on the pack's label what cells it has before anything else. Then read all blocks at rest and under a "
            "steady load, note the current, and name the right family."
        ),
        "derived from volts and resistances a cell: NREL ADVISOR data file ESS_NIMH6; lithium-ion from memory, "
        "unverified",
    ),
    StopRule("reversed", "everything", _reversed, _NOT_CHARGED_ON, _PRACTICE),
    StopRule("below-floor", "everything", _below_floor, _NOT_CHARGED_ON, _LIMIT),
    StopRule("cell-down", "everything", _cell_down, _NOT_CHARGED_ON, _CURVE),
    StopRule("over-voltage", "everything", _over_voltage, _LOOK, _LIMIT),
    StopRule(
        "overfilled",
        "everything",
        _overfilled,
        _LOOK,
        "derived: no block is topped up from empty, nor loses more in a day than the worst self-discharge",
    ),
    StopRule("charged-cold", "everything", _charged_cold, _LOOK, "from memory, unverified"),
    StopRule("charged-hot", "everything", _charged_hot, _LOOK, "from memory, unverified"),
    StopRule(
        "wrong-block",
        "everything",
        _wrong_block,
        say(
            "Charge nothing more and do not drive on it. Check the order of the sense leads, read all blocks at rest, "
            "and correct the record, or bring the overfull block down before anything is charged."
        ),
        _PRACTICE,
    ),
    StopRule(
        "lithium",
        "charging",
        _lithium,
        say(
            "Leave balancing to the pack's own management system and the maker's workshop. A cell that was driven "
            "below its floor is never charged again."
        ),
        _PRACTICE,
    ),
    StopRule(
        "too-cold", "charging", _too_cold, say("Warm the pack through first, and read it again."),
        "from memory, unverified",
    ),
    StopRule(
        "too-hot", "charging", _too_hot, say("Let the pack cool first, and read it again."), "from memory, unverified",
    ),
)  # fmt: skip
"""The table, the most pressing first."""


def stops_of(
    history: PackHistory,
    family: PackFamily,
    *,
    at: datetime | None = None,
    ambient_c: float | None = None,
    charging: bool = False,
) -> tuple[Stop, ...]:
    """List what ends the job.

    Parameters
    ----------
    history : PackHistory
        Fits the family.
    family : PackFamily
    at : datetime, optional
        Facts after it are not used; all are if left out.
    ambient_c : float, optional
        Temperature where the pack stands, °C; else that of the newest reading at rest.
    charging : bool
        Also list what ends charging alone.

    Returns
    -------
    tuple of Stop
        Empty if nothing does; the most pressing first.
    """
    known = _known(history, family, at, ambient_c)
    found = []
    for rule in STOPS:
        if rule.ends == "everything" or charging:
            text = rule.find(known)
            if text is not None:
                found.append(Stop(rule.code, rule.ends, text, rule.instead, rule.source))
    return tuple(found)


def require_no_stop(
    history: PackHistory,
    family: PackFamily,
    *,
    at: datetime | None = None,
    ambient_c: float | None = None,
    charging: bool = False,
) -> None:
    """Raise `Stopped` with everything that ends the job; parameters as for `stops_of`."""
    if found := stops_of(history, family, at=at, ambient_c=ambient_c, charging=charging):
        raise Stopped(found, family)
