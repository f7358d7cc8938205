"""Grave flags of what was read of many packs, or done to them, at any time: they stand until somebody saw to it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd

from models.base.arrays import Bools, Floats, Rows
from models.base.messages import Said, say
from models.forecasts.forecast import Flag
from models.forecasts.newest_topups import NewestTopUps
from models.packs.contradictions import flows
from models.packs.family import PackFamily
from models.packs.stops.cells import NOTHING_CELL_V, half_a_cell_v
from models.packs.stops.known import BEFORE_DRIVING, LOOK_AFTER, VISIT, others_v
from models.packs.tables import VOLT_DECIMALS, date_of
from models.packs.trouble_codes import DANGERS, LIVE_PARTS
from models.physics.cell_curves import resistance_mohm

BLOCK_HIGH: Final = "block-high"
"""Flag of a block of which its rest voltage tells no charge: it was overcharged, or misread."""

OTHER_LOW: Final = "other-block-down"
"""Flag of a block that was not charged and by its newest reading is as far down as the monitor allows, or further."""

OTHER_BAD: Final = "other-block-bad"
"""Flag of such a block that is not as far down, but as far as is usually called bad."""

CHARGED_LOW: Final = "charged-block-down"
"""Flag of a charged block that by its newest reading is as far down as the monitor allows, or further."""

CHARGED_BAD: Final = "charged-block-bad"
"""Flag of such a block that is not as far down, but as far as is usually called bad."""

USED_UP: Final = "charge-used-up"
"""Flag of such a block that stands no higher at rest than before the charge, when it was brought in for its fault."""

CELL_IN_DOUBT: Final = "cell-in-doubt"
"""Flag of a charged block of which, as it read before its charge, one cell may be empty or reversed."""

BAD_REST_CELL_V: Final = 0.2 / 12
"""Rest deviation usually called bad begins at 0.2 V on a block of 12 NiMH cells: common practice, no source."""

LOW_UNDER_LOAD: Final = "low-under-load"
CODE_DANGER: Final = "code-danger"
CODE_LIVE: Final = "code-live"
LITHIUM_CHARGED: Final = "lithium-charged"

_DAY: Final = timedelta(days=1)


def standing(newest: NewestTopUps) -> dict[int, list[Flag]]:
    """Name what was read or done and still is to be looked at, by place among the packs."""
    facts = _Facts(newest)
    found: dict[int, list[Flag]] = {}
    for flags in (
        facts.codes_of_danger(),
        facts.codes_of_live_parts(),
        facts.charged_by_hand(),
        facts.high_at_rest(),
        facts.low_under_load(),
        facts.others_low(),
        facts.charged_low(),
        facts.cell_in_doubt(),
    ):
        for place, flag in flags.items():
            found.setdefault(place, []).append(flag)
    return found


@dataclass(frozen=True)
class _Facts:
    newest: NewestTopUps

    @cached_property
    def reader(self) -> Rows:
        return self.newest.owner("readings")

    @cached_property
    def read_day(self) -> Floats:
        return self.newest.tables.days("readings")

    @cached_property
    def charged(self) -> Rows:
        return self.newest.owner("topups")

    @cached_property
    def charge_day(self) -> Floats:
        return self.newest.tables.days("topups")

    @cached_property
    def volts(self) -> Floats:
        return self.newest.tables.volts()

    def _blocks_of(self, topups: Bools) -> Bools:
        """Which blocks of each pack were charged by some of its top-ups, shape (n, columns of volts)."""
        rows = np.flatnonzero(topups & (self.charged >= 0))
        named = np.zeros((len(self.newest), self.volts.shape[1]), dtype=np.bool_)
        np.logical_or.at(named, self.charged[rows], self.newest.tables.topped()[rows, : named.shape[1]])
        return named

    @cached_property
    def which(self) -> Rows:
        """Family of each pack, by its place in `families`."""
        return np.unique(self.newest.family, return_inverse=True)[1].astype(np.intp)

    @cached_property
    def families(self) -> list[PackFamily]:
        return [self.newest.tables.families[name] for name in np.unique(self.newest.family)]

    def _topups(self, place: int) -> Rows:
        return self.newest.rows_of("topups", place)

    def _newest_codes(self, flag: str, codes: Collection[str]) -> Iterator[tuple[int, str, str]]:
        """Yield the newest of some codes that stands of each pack: its place, day and code, however it was stored."""
        tables, done, noted = self.newest.tables, self.newest.done_by(flag), []
        for table in ("readings", "outcomes"):
            places, words = pd.factorize(tables.words(table, "code"))  # a word is asked of once
            danger = np.array([*(str(word).upper() in codes for word in words), False], dtype=np.bool_)[places]
            owner, days = self.newest.owner(table), tables.days(table)
            rows = np.flatnonzero(danger & (owner >= 0))
            noted += [(float(days[row]), int(owner[row]), str(words[places[row]]).upper()) for row in rows]
        for day, place, code in sorted(noted):
            if day > done[place]:
                yield place, date_of(day), code

    def codes_of_danger(self) -> dict[int, Flag]:
        """Name the newest code that tells of harm to cells; clearing it mends nothing."""
        found: dict[int, Flag] = {}
        for place, day, code in self._newest_codes(CODE_DANGER, DANGERS):
            text = say(
                "On %(day)s %(code)s was stored: %(danger)s. Nobody touches, charges or drives it before somebody "
                "licensed to has seen to that. It is told until a reading of the next day or later says that it "
                "was looked over (inspected).",
                day=day,
                code=code,
                danger=DANGERS[code],
            )
            found[place] = Flag(CODE_DANGER, text, grave=True)
        return found

    def codes_of_live_parts(self) -> dict[int, Flag]:
        """Name the newest code by which parts may be live that should not be; clearing it mends nothing."""
        found: dict[int, Flag] = {}
        for place, day, code in self._newest_codes(CODE_LIVE, LIVE_PARTS):
            text = say(
                "On %(day)s %(code)s was stored: %(danger)s. Nobody touches, charges or drives it before somebody "
                "licensed to has proved absence of voltage with the vehicle switched off and seen to that. It is told "
                "until a later reading says that the insulation was measured (inspected: insulation).",
                day=day,
                code=code,
                danger=LIVE_PARTS[code],
            )
            found[place] = Flag(CODE_LIVE, text, grave=True)
        return found

    def charged_by_hand(self) -> dict[int, Flag]:
        """Name the newest charge of a lithium-ion block."""
        lithium = np.array([f.chemistry == "lithium-ion" for f in self.families], dtype=np.bool_)[self.which]
        rows = np.flatnonzero((self.charged >= 0) & np.append(lithium, False)[self.charged])
        tables, found = self.newest.tables, {}
        charge, end_v = tables.column("topups", "charge_ah"), tables.column("topups", "end_v")
        work, looked = tables.words("topups", "also_done"), self.newest.done_by(LITHIUM_CHARGED)
        for row in rows[np.argsort(self.charge_day[rows], kind="stable")]:
            place, day = int(self.charged[row]), float(self.charge_day[row])
            if work[row] == "module-swapped" and np.isnan(charge[row]) and np.isnan(end_v[row]):
                continue  # nothing was put in
            blocks = [b for b in self.newest.blocks(int(row)) if not self.newest.swapped(place, b, day)]
            if blocks and day > looked[place]:
                text = say(
                    "On %(day)s block %(block)s was charged by hand, and its cells are lithium-ion: charged outside "
                    "its own management system, such a cell can burn and cannot be put out. Charge nothing more, keep "
                    "people and whatever burns away, and have the maker's workshop measure its cells.",
                    day=date_of(day),
                    block=blocks[0] + 1,
                )
                found[place] = Flag(LITHIUM_CHARGED, text, grave=True)
        return found

    def high_at_rest(self) -> dict[int, Flag]:
        """Name a block that rested further above its peers than the monitor allows.

        Within a day and a half of its charge it may stand by its hysteresis higher. One that nobody charged may stand
        above many that are down: those are told as such (`others_low`).
        """
        rest = np.asarray(self.newest.tables.words("readings", "state") == "rest", dtype=np.bool_)
        found: dict[int, Flag] = {}
        for row in self._some_far_above(rest, self.newest.done_by(BLOCK_HIGH)):
            place, day = int(self.reader[row]), float(self.read_day[row])
            family = self.families[self.which[place]]
            if flows(self._current(row), family):
                continue
            volts = self.volts[row][: family.blocks]
            above = volts - others_v(volts)
            above_most = volts - _level_v(volts[None], np.array([family.rest_spread_limit_v]))[0]
            for block in np.flatnonzero(np.nan_to_num(above) > family.rest_spread_limit_v):
                ends = [self.charge_day[t] for t in self._topups(place) if block in self.newest.blocks(int(t))]
                ends = [end for end in ends if end <= day]
                if self.newest.swapped(place, int(block), day):
                    continue
                soon = bool(ends) and day - max(ends) <= BEFORE_DRIVING / _DAY
                most = family.rest_spread_limit_v + soon * family.cells_per_block * family.hysteresis_charge_v
                if (above if ends else above_most)[block] > most:
                    told = _charged_high if ends else _other_high
                    if ends and above_most[block] <= most:
                        told = _most_down
                    text = told(date_of(day), int(block) + 1, f"{above[block]:.2f}", f"{most:.2f}")
                    found[place] = Flag(BLOCK_HIGH, text, grave=True)
        return found

    def _some_far_above(self, rows: Bools, until: Floats) -> Rows:
        """Rows not seen to in which some block lies that far above the median of the others, the newest last.

        Where any does, the highest does.
        """
        own = np.flatnonzero(rows & (self.reader >= 0))
        own = own[self.read_day[own] > until[self.reader[own]]]
        if not self.volts[own].size:
            return own[:0]
        limit = self._of_family(lambda f: f.rest_spread_limit_v)
        highest = np.fmax.reduce(self.volts[own], axis=1)
        apart = highest - np.fmin.reduce(self.volts[own], axis=1) > limit[self.reader[own]]
        own, highest = own[apart], highest[apart]
        others = self.volts[own]
        others[np.arange(len(own)), np.nanargmax(others, axis=1) if len(own) else []] = np.nan
        own = own[highest - np.nanmedian(others, axis=1) > limit[self.reader[own]] - 10.0**-VOLT_DECIMALS]
        return np.asarray(own[np.argsort(self.read_day[own], kind="stable")])

    def low_under_load(self) -> dict[int, Flag]:
        """Name a block that load drove below its floor by more than it takes from a sound one.

        Of lithium-ion that is a stop.
        """
        state = self.newest.tables.words("readings", "state")
        own = np.flatnonzero((self.reader >= 0) & np.asarray(state == "discharge", dtype=np.bool_))
        own = own[self.read_day[own] > self.newest.done_by(LOW_UNDER_LOAD)[self.reader[own]]]
        found: dict[int, Flag] = {}
        if not len(own):
            return found
        floor = self._of_family(lambda f: f.cells_per_block * f.min_cell_v)
        ohm = self._of_family(_block_ohm)
        amps = np.maximum(np.nan_to_num(self.newest.tables.column("readings", "current_a")), 0.0)
        nothing = self._of_family(lambda f: f.cells_per_block * NOTHING_CELL_V)
        volts = np.nan_to_num(self.volts[own], nan=np.inf)
        least = floor[self.reader[own]] - amps[own] * ohm[self.reader[own]]
        low = (volts < least[:, None]) & (volts > nothing[self.reader[own], None])
        own = own[low.any(axis=1)]
        for row in own[np.argsort(self.read_day[own], kind="stable")]:
            place, day = int(self.reader[row]), float(self.read_day[row])
            volts = np.nan_to_num(self.volts[row], nan=np.inf)
            sound_v = floor[place] - amps[row] * ohm[place]
            blocks = np.flatnonzero((volts < sound_v) & (volts > nothing[place]))
            blocks = np.array([b for b in blocks if not self.newest.swapped(place, int(b), day)], dtype=np.intp)
            if len(blocks):
                worst = int(blocks[np.argmin(volts[blocks])])
                text = say(
                    "Have the cells of block %(block)s measured, or a module of it swapped, before it is driven: under "
                    "load on %(day)s it fell to %(volts)s V, below its floor of %(floor)s V by more than that load "
                    "takes from a sound one, so cells of it may be empty or driven the wrong way round. If the meter "
                    "slipped, correct that reading and say why.",
                    day=date_of(day),
                    block=worst + 1,
                    volts=f"{volts[worst]:g}",
                    floor=f"{floor[place]:g}",
                )
                found[place] = Flag(LOW_UNDER_LOAD, text, grave=True)
        return found

    def cell_in_doubt(self) -> dict[int, Flag]:
        """Name a charged NiMH block that rested before its charge nearer to one whole cell missing than to none.

        That is not grave; where it rested as far down as a whole cell, it is a stop.
        """
        since, charged = (np.append(self.newest.day - days, np.nan)[self.reader] for days in (VISIT / _DAY, 0.0))
        rest = np.asarray(self.newest.tables.words("readings", "state") == "rest", dtype=np.bool_)
        own = np.flatnonzero((self.reader >= 0) & rest & (self.read_day >= since) & (self.read_day <= charged))
        own = own[self.read_day[own] > self.newest.done_by(CELL_IN_DOUBT)[self.reader[own]]]
        found: dict[int, Flag] = {}
        if not self.volts[own].size:
            return found
        place, volts = self.reader[own], self.volts[own]
        peers = others_v(volts)
        cells = self._of_family(lambda f: f.cells_per_block if f.chemistry == "nimh" else 0.0)[place]
        with np.errstate(divide="ignore"):
            down = (peers - volts >= half_a_cell_v(cells[:, None], peers)) & self._charged_of_late[place]
        for at in np.flatnonzero(down.any(axis=1))[np.argsort(self.read_day[own[down.any(axis=1)]], kind="stable")]:
            family, day = self.families[self.which[place[at]]], float(self.read_day[own[at]])
            blocks = [b for b in np.flatnonzero(down[at]) if not self.newest.swapped(int(place[at]), int(b), day)]
            if blocks and not flows(self._current(int(own[at])), family):
                worst = max(blocks, key=lambda block: float(peers[at, block] - volts[at, block]))
                text = say(
                    "Before its charge, on %(day)s, block %(block)s rested %(volts)s V below its peers: nearer to the "
                    "%(cell)s V of one whole cell than to nothing. Either it was nearly empty, or one of its cells is "
                    "empty or reversed, which no charge of the block mends. Measure each cell before it is charged "
                    "again.",
                    day=date_of(day),
                    block=int(worst) + 1,
                    volts=f"{peers[at, worst] - volts[at, worst]:.2f}",
                    cell=f"{peers[at, worst] / family.cells_per_block:.2f}",
                )
                found[int(place[at])] = Flag(CELL_IN_DOUBT, text)
        return found

    def _current(self, row: int) -> float | None:
        value = float(self.newest.tables.column("readings", "current_a")[row])
        return None if np.isnan(value) else value

    def others_low(self) -> dict[int, Flag]:
        """Name a block that was not charged of late and in the newest reading lies as far down as brings the fault.

        At rest, under load or with current going in, of what was read after the newest charge. One of NiMH cells that
        at rest lies as far down as is usually called bad is named too; that is not grave.
        """
        return self._told_down(charged=False)

    def charged_low(self) -> dict[int, Flag]:
        """Name a charged block that in the newest reading lies as far down as brings the fault: it holds no longer.

        At rest, under load or with current going in, of what was read after the newest charge. One of NiMH cells that
        at rest lies as far down as is usually called bad is named too; that is not grave.
        """
        return self._told_down(charged=True)

    def _told_down(self, *, charged: bool) -> dict[int, Flag]:
        grave, told = (CHARGED_LOW, _CHARGED_TOLD) if charged else (OTHER_LOW, _OTHER_TOLD)
        plain, told_bad = (CHARGED_BAD, _charged_rested_badly) if charged else (OTHER_BAD, _rested_badly)
        found: dict[int, Flag] = {}
        for down in self._far_down(charged=charged):
            if down.brings_the_fault:
                found[down.place] = Flag(grave, told[down.state](*down.said), grave=True)
            elif (
                down.state == "rest"
                and down.place not in found
                and down.below_v >= np.round(_bad_v(down.family), VOLT_DECIMALS)
            ):
                if charged and down.below_v >= (before := self._rested_below_before(down)):
                    found[down.place] = Flag(USED_UP, _used_up(*down.said[:3], f"{before:.2f}"), grave=True)
                else:
                    found[down.place] = Flag(plain, told_bad(*down.said[:3]))
        return found

    def _rested_below_before(self, down: _Down) -> float:
        """How far below its peers the block last rested before the newest charge, V; infinity where nobody read it."""
        rows = self.newest.rows_of("readings", down.place)
        rest = np.asarray(self.newest.tables.words("readings", "state")[rows] == "rest", dtype=np.bool_)
        rows = rows[rest & (self.read_day[rows] < self.newest.day[down.place])]
        rows = rows[np.isfinite(self.volts[rows, down.block])]
        if not len(rows):
            return np.inf
        volts = self.volts[rows[np.argmax(self.read_day[rows])]][None]
        below = _level_v(volts, np.array([limit_v(down.family, "rest")])) - volts
        return float(np.round(below[0, down.block], VOLT_DECIMALS))

    def _far_down(self, *, charged: bool) -> Iterator[_Down]:
        """Find the lowest of the blocks charged of late, or of the others, in the newest readings since the charge.

        A level reading within a day of a bad one takes nothing back: one of the two is wrong, and nobody knows which.
        """
        states = self.newest.tables.words("readings", "state")
        after = self.read_day > np.append(self.newest.day, np.nan)[self.reader]
        for state in ("charge", "discharge", "rest"):
            rows = np.flatnonzero((self.reader >= 0) & after & np.asarray(states == state, dtype=np.bool_))
            rows = rows[np.isfinite(self.volts[rows]).any(axis=1)]
            rows = rows[np.argsort(self.read_day[rows], kind="stable")]
            newest = np.full(len(self.newest), -np.inf)
            newest[self.reader[rows]] = self.read_day[rows]
            rows = rows[self.read_day[rows] > newest[self.reader[rows]] - LOOK_AFTER / _DAY]
            yield from self._lowest_of(self._some_far_below(rows, state, charged=charged), state, charged=charged)

    def _some_far_below(self, rows: Rows, state: str, *, charged: bool) -> Rows:
        """Rows that have such a block that far below the highest of all.

        No median of the others lies higher than that one.
        """
        if not self.volts[rows].size:
            return rows[:0]
        place = self.reader[rows]
        low = np.where(self._charged_of_late[place] == charged, self.volts[rows], np.inf)
        below = np.fmax.reduce(self.volts[rows], axis=1) - np.fmin.reduce(low, axis=1)
        limit = self._of_family(lambda f: _named_from_v(f, state))[place]
        return np.asarray(rows[below >= limit - 10.0**-VOLT_DECIMALS])

    def _lowest_of(self, rows: Rows, state: str, *, charged: bool) -> Iterator[_Down]:
        """Find in each row the lowest such block, where it is far enough below its peers to be named."""
        if not len(rows):
            return
        place = self.reader[rows]
        volts = self.volts[rows]
        below = np.nan_to_num(_level_v(volts, self._of_family(lambda f: limit_v(f, state))[place]) - volts)
        below[self._charged_of_late[place] != charged] = 0.0
        lowest = np.round(below.max(axis=1), VOLT_DECIMALS)
        named = self._of_family(lambda f: np.round(_named_from_v(f, state), VOLT_DECIMALS))[place]
        for at in np.flatnonzero(lowest >= named).tolist():
            family = self.families[self.which[place[at]]]
            if state != "rest" or not flows(self._current(rows[at]), family):
                block = int(np.argmax(below[at]))
                yield _Down(int(place[at]), family, state, float(self.read_day[rows[at]]), block, float(lowest[at]))

    def _of_family(self, get: Callable[[PackFamily], float]) -> Floats:
        """Return a figure of each pack's family, shape (n,)."""
        return np.array([get(family) for family in self.families])[self.which]

    @cached_property
    def _charged_of_late(self) -> Bools:
        """Blocks charged at the visit of each pack's newest charge, shape (n, columns of volts)."""
        since = np.append(self.newest.day, np.nan)[self.charged] - VISIT / _DAY
        return self._blocks_of(self.charge_day >= since)


@dataclass(frozen=True)
class _Down:
    """A block far below its peers, V, by a reading of a day."""

    place: int
    family: PackFamily
    state: str
    day: float
    block: int
    below_v: float

    @property
    def brings_the_fault(self) -> bool:
        return self.below_v >= limit_v(self.family, self.state)

    @property
    def said(self) -> tuple[str, int, str, str]:
        """Day, block, how far below, and how far brings the fault, as sentences tell them."""
        return date_of(self.day), self.block + 1, f"{self.below_v:.2f}", f"{limit_v(self.family, self.state):g}"


def limit_v(family: PackFamily, state: str) -> float:
    """Return how far below its peers a block brings the fault in a state, V."""
    limits = {"discharge": family.discharge_spread_limit_v, "charge": family.charge_spread_limit_v}
    return limits.get(state, family.rest_spread_limit_v)


def _named_from_v(family: PackFamily, state: str) -> float:
    """How far down a block is named at all."""
    return min(limit_v(family, state), _bad_v(family)) if state == "rest" else limit_v(family, state)


def _level_v(volts: Floats, limit_v: Floats) -> Floats:
    """Return what each block is held against, V: the median of the others, or the upper half's if far above it.

    More than half may be down: the median is then one of theirs. Where the middle of the upper half lies `limit_v`,
    shape (n,), or more above, that is the level. Both it and `volts` are of shape (n, blocks).
    """
    others, ordered = others_v(volts), np.sort(volts, axis=1)  # NaN sorts last
    read = volts.shape[1] - np.isnan(volts).sum(axis=1)
    middle = read // 2 + (read - read // 2 - 1) // 2
    level = ordered[np.arange(len(volts)), middle][:, None]
    return np.where(np.round(level - others, VOLT_DECIMALS) >= limit_v[:, None], level, others)


def _charged_high(day: str, block: int, volts: str, most: str) -> Said:
    return say(
        "On %(day)s block %(block)s, which was charged, rested %(volts)s V above its peers, where %(most)s V is the "
        "most: it was overcharged, or the reading is off. Look for swelling, leaks and heat, have its cells measured, "
        "and read all blocks at rest again.",
        day=day,
        block=block,
        volts=volts,
        most=most,
    )


def _most_down(day: str, block: int, volts: str, most: str) -> Said:
    return say(
        "On %(day)s block %(block)s, which was charged, rested %(volts)s V above the middle of the others, where "
        "%(most)s V is the most: most of the others are down, or the reading is off. Read all blocks at rest again, "
        "and charge or drive nothing before that.",
        day=day,
        block=block,
        volts=volts,
        most=most,
    )


def _other_high(day: str, block: int, volts: str, most: str) -> Said:
    return say(
        "On %(day)s block %(block)s, which is not noted as charged, rested %(volts)s V above its peers, where %(most)s "
        "V is the most: another block was charged than was noted, sense leads are crossed, or the reading is off. "
        "Check both, have its cells measured, and read all blocks at rest again.",
        day=day,
        block=block,
        volts=volts,
        most=most,
    )


def _rested_low(day: str, block: int, volts: str, most: str) -> Said:
    return say(
        "On %(day)s block %(block)s, which was not charged, rested %(volts)s V below its peers, and %(most)s V brings "
        "the fault: read all blocks again, and see to that block before it is driven.",
        day=day,
        block=block,
        volts=volts,
        most=most,
    )


def _bad_v(family: PackFamily) -> float:
    return family.cells_per_block * BAD_REST_CELL_V if family.chemistry == "nimh" else np.inf


def _rested_badly(day: str, block: int, volts: str) -> Said:
    return say(
        "On %(day)s block %(block)s, which was not charged, rested %(volts)s V below its peers. So far down a block is "
        "usually called bad: it may be the next to bring the fault. Read it again, at rest and under load.",
        day=day,
        block=block,
        volts=volts,
    )


def _charged_rested_badly(day: str, block: int, volts: str) -> Said:
    return say(
        "On %(day)s block %(block)s, which was charged, rested %(volts)s V below its peers. So far down a block is "
        "usually called bad: too little went in, or it is used up. Order its replacement, and read it again soon.",
        day=day,
        block=block,
        volts=volts,
    )


def _used_up(day: str, block: int, volts: str, before: str) -> Said:
    return say(
        "On %(day)s block %(block)s, which had been charged, rested %(volts)s V below its peers, no better than the "
        "%(before)s V from before the charge: what went in is used up, and the fault can be back on any drive. Charge "
        "it again or have it replaced, and read it, before the car goes.",
        day=day,
        block=block,
        volts=volts,
        before=before,
    )


def _fell_low(day: str, block: int, volts: str, most: str) -> Said:
    return say(
        "Under load on %(day)s block %(block)s, which was not charged, fell %(volts)s V below its peers, and %(most)s "
        "V brings the fault: read all blocks again, and see to that block before it is driven.",
        day=day,
        block=block,
        volts=volts,
        most=most,
    )


def _lagged_low(day: str, block: int, volts: str, most: str) -> Said:
    return say(
        "While the pack took current in on %(day)s block %(block)s, which was not charged at the bench, stayed "
        "%(volts)s V below its peers, and %(most)s V brings the fault: read all blocks again, and see to that block "
        "before it is driven.",
        day=day,
        block=block,
        volts=volts,
        most=most,
    )


def _charged_rested_low(day: str, block: int, volts: str, most: str) -> Said:
    return say(
        "On %(day)s block %(block)s, which had been charged, rested %(volts)s V below its peers again, and %(most)s V "
        "brings the fault: keep it off the road until that block was charged again or replaced, and read.",
        day=day,
        block=block,
        volts=volts,
        most=most,
    )


def _charged_fell_low(day: str, block: int, volts: str, most: str) -> Said:
    return say(
        "Under load on %(day)s block %(block)s, which had been charged, fell %(volts)s V below its peers, and "
        "%(most)s V brings the fault: keep it off the road until that block was seen to, and read again.",
        day=day,
        block=block,
        volts=volts,
        most=most,
    )


def _charged_lagged_low(day: str, block: int, volts: str, most: str) -> Said:
    return say(
        "While the pack took current in on %(day)s block %(block)s, which had been charged at the bench, stayed "
        "%(volts)s V below its peers, and %(most)s V brings the fault: keep it off the road until that block was seen "
        "to, and read again.",
        day=day,
        block=block,
        volts=volts,
        most=most,
    )


_OTHER_TOLD: Final = {"rest": _rested_low, "discharge": _fell_low, "charge": _lagged_low}
_CHARGED_TOLD: Final = {
    "rest": _charged_rested_low, "discharge": _charged_fell_low, "charge": _charged_lagged_low,
}  # fmt: skip
"""What is said of a block that brings the fault, by the state it was read in."""


def _block_ohm(family: PackFamily) -> float:
    """Resistance of a sound new block at its usual charge and 25 °C, Ω: older ones are warned of rather too soon."""
    cell = float(resistance_mohm(family.curves, np.array([family.soc_target]))[0])
    return 1e-3 * family.cells_per_block * cell
