"""Which of many packs may hold something that a single forecast refuses or stops at, found by columns.

Every pack is asked in the end by the same checks as a single one (`models.packs.history`, `models.packs.stops`). Those
take a checked history, a thousand times as long as a row of a table. So columns first tell the packs of which nothing
of the sort can be true: each screen here lets through no pack that its check would name, and may hold up some that it
would not. A pack that is held up is asked only the checks that may name it. A stop that has no screen yet holds up
every pack.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel

from models.base.arrays import Bools, Floats, Rows
from models.base.moments import EARLIEST, LATEST
from models.packs.contradictions import FLOWING_C
from models.packs.family import PackFamily
from models.packs.fields import bounds_of, columns_of, may_be
from models.packs.history import LOOKED, MAX_BLOCK_MOHM, MAX_BLOCK_V, PackHistory
from models.packs.ledger import standing_of
from models.packs.stops import STOPS, Stop, stops_of
from models.packs.stops.cells import NOTHING_CELL_V, collapse_v, one_cell_down_v
from models.packs.stops.charging import (
    AROUND_CHARGE,
    BAD_SHARE,
    COLDEST_C,
    GENTLE_CHARGE_PER_H,
    HOTTEST_C,
    SOAKED,
    most_charged_v,
    most_drawn_v,
)
from models.packs.stops.heat import HOTTEST_PACK_C
from models.packs.stops.identity import (
    FALLS,
    LITHIUM_CELL_MOHM,
    LITHIUM_CELL_V,
    LITHIUM_CELLS_V,
    LITHIUM_RISES,
    NIMH_CELL_MOHM,
    NIMH_CELL_V,
    NIMH_CELLS_V,
    NIMH_HYSTERESIS_V,
)
from models.packs.stops.known import BEFORE_DRIVING, LOOK_AFTER, VISIT, others_v, rest_window_v
from models.packs.stops.overfilled import LATER_SHARE_PER_DAY
from models.packs.tables import (
    FACTS,
    SECONDS_PER_DAY,
    HistoryTables,
    list_of,
    tables_from_histories,
    to_days,
)
from models.packs.trouble_codes import ISOLATION

SLACK: Final = 1e-6
"""V, Ah or days by which a screen is wider than its check: rounding must let nothing through."""

_PACK_KEY: Final = 1e6
"""Days since 1970 lie well below this, so that packs do not mix."""

_KEY_DAYS: Final = 1e-3
"""Days by which a key of pack and day may be off: of a million packs it is rounded by a tenth of this."""

_DAYS_MEANT: Final = tuple(moment.timestamp() / SECONDS_PER_DAY for moment in (EARLIEST, LATEST))

_WORSE: Final[Mapping[str, Callable[[Floats, float], Bools]]] = {
    "ge": np.less,
    "gt": np.less_equal,
    "le": np.greater,
    "lt": np.greater_equal,
}


@dataclass(frozen=True)
class _InOrder:
    """Some rows of a table by pack and time, to be found by a pack and a day."""

    rows: Rows
    pack: Rows
    key: Floats

    @classmethod
    def of(cls, some: Bools, pack: Rows, day: Floats) -> _InOrder:
        """Put in order those of known packs and of a day that may be meant; any other is unsound (`_unsound`)."""
        rows = np.flatnonzero(some & (pack >= 0) & (day >= _DAYS_MEANT[0]) & (day < _DAYS_MEANT[1]))
        rows = rows[np.lexsort((day[rows], pack[rows]))]
        return cls(rows, pack[rows], _key(pack[rows], day[rows]))

    def place(self, pack: Rows, day: Floats) -> Rows:
        """Return how many of the rows are of a pack before or of this one, and then not after the day."""
        return np.asarray(np.searchsorted(self.key, _key(pack, day), side="right"))

    def around(self, pack: Rows, day: Floats) -> tuple[Rows, Rows]:
        """Return the rows of a pack next to a day, the last not after it and the first after it; −1 where none is."""
        place = self.place(pack, day)
        rows, own = np.append(self.rows, -1), np.append(self.pack, -1)
        # What is before the first is the last of these: none.
        before, after = (np.where(own[near] == pack, rows[near], -1) for near in (place - 1, place))
        return before, after

    def next_to(self, pack: Rows, day: Floats) -> Bools:
        """Whether a row of a pack may lie in the very moment."""
        return np.asarray(self.place(pack, day + _KEY_DAYS) > self.place(pack, day - _KEY_DAYS))


def _key(pack: Rows, day: Floats) -> Floats:
    return np.asarray(pack * _PACK_KEY + day)


@dataclass(frozen=True)
class _Look:
    """Tables as the screens look at them; everything by pack, in order of `packs`."""

    tables: HistoryTables
    families: tuple[PackFamily, ...]
    which: Rows
    """Family of each pack, −1 where it is not known."""

    @classmethod
    def at(cls, tables: HistoryTables) -> _Look:
        names = pd.Index(list(tables.families))
        which = names.get_indexer(pd.Index(tables.packs["family"])).astype(np.intp)
        return cls(tables, tuple(tables.families.values()), which)

    def of(self, get: Callable[[PackFamily], float]) -> Floats:
        """Return a figure of each pack's family; NaN where it is not known."""
        return np.array([*(get(f) for f in self.families), np.nan])[self.which]

    def any_of(self, places: Rows, found: Bools) -> Bools:
        """Packs of which some row was found."""
        out = np.zeros(len(self.which) + 1, dtype=np.bool_)
        out[places[found]] = True
        return out[:-1]

    @cached_property
    def reading_pack(self) -> Rows:
        return self.tables.codes("readings")

    @cached_property
    def volts(self) -> Floats:
        return self.tables.volts()

    @cached_property
    def ordered(self) -> Floats:
        """Volts of each reading in rising order, those not read last; at least two columns."""

        def made() -> Floats:
            ordered = np.sort(self.volts, axis=1)
            lacking = max(2 - ordered.shape[1], 0)
            return np.hstack([ordered, np.full((len(ordered), lacking), np.nan)]) if lacking else ordered

        return self.tables.of_rows("readings", "volts of each in order", made)

    @cached_property
    def read(self) -> Rows:
        """Blocks read."""
        return np.asarray(self.volts.shape[1] - np.isnan(self.volts).sum(axis=1), dtype=np.intp)

    def median_from(self, first: int) -> Floats:
        """Median of each reading without its lowest `first` blocks."""
        return self._median_of(first, self.read - first)

    def median_to(self, last: int) -> Floats:
        """Median of each reading without its highest `last` blocks."""
        return self._median_of(0, self.read - last)

    def _median_of(self, first: int, count: Rows) -> Floats:
        last = self.ordered.shape[1] - 1
        row = np.arange(len(self.ordered))
        low = np.clip(first + (count - 1) // 2, 0, last)
        high = np.clip(first + count // 2, 0, last)
        middle = (self.ordered[row, low] + self.ordered[row, high]) / 2
        return np.asarray(np.where(count > 0, middle, np.nan))

    @cached_property
    def median(self) -> Floats:
        return self.median_from(0)

    @cached_property
    def highest(self) -> Floats:
        row = np.arange(len(self.ordered))
        return np.asarray(np.where(self.read > 0, self.ordered[row, np.maximum(self.read - 1, 0)], np.nan))

    def state(self, name: str) -> Bools:
        return np.asarray(self.tables.words("readings", "state") == name)

    @cached_property
    def resting(self) -> Bools:
        """Read at rest, and without a current that says otherwise (`models.packs.contradictions.flows`)."""
        flowing = np.abs(self.number("current_a")) >= FLOWING_C * self.of_reading(lambda f: f.rated_ah)
        return np.asarray(self.state("rest") & ~flowing)

    def number(self, name: str) -> Floats:
        return self.tables.column("readings", name)

    @cached_property
    def reading_day(self) -> Floats:
        return self.tables.days("readings")

    @cached_property
    def topup_pack(self) -> Rows:
        return self.tables.codes("topups")

    @cached_property
    def topup_day(self) -> Floats:
        return self.tables.days("topups")

    @cached_property
    def outcome_pack(self) -> Rows:
        return self.tables.codes("outcomes")

    @cached_property
    def outcome_day(self) -> Floats:
        return self.tables.days("outcomes")

    @cached_property
    def returned(self) -> Bools:
        return np.asarray(self.tables.words("outcomes", "kind") == "returned")

    @cached_property
    def topped(self) -> Bools:
        """Which blocks each top-up names, shape (top-ups, blocks); none in one more row."""
        text = [str(t) for t in self.tables.topups["blocks"].to_numpy(dtype=object)]
        known, place = np.unique(text, return_inverse=True)
        masks = np.zeros((len(known) + 1, self.volts.shape[1]), dtype=np.bool_)
        for row, written in enumerate(known):
            blocks = [int(b) for b in str(written).split() if b.isdigit() and 0 < int(b) <= masks.shape[1]]
            masks[row, [b - 1 for b in blocks]] = True
        return np.asarray(masks[np.append(place, len(known)).astype(np.intp)])

    @cached_property
    def just_charged(self) -> Bools:
        """Whether some block of its pack was charged shortly before each reading."""
        soon = BEFORE_DRIVING.total_seconds() / SECONDS_PER_DAY + SLACK
        every = np.ones(len(self.topup_pack), dtype=np.bool_)
        charges = _InOrder.of(every, self.topup_pack, self.topup_day)
        last, _ = charges.around(self.reading_pack, self.reading_day + _KEY_DAYS)
        since = self.reading_day - np.append(self.topup_day, np.nan)[last]
        return np.asarray((last >= 0) & (since <= soon))

    @cached_property
    def rests(self) -> _InOrder:
        return _InOrder.of(self.resting, self.reading_pack, self.reading_day)

    def begun(self, charges: Rows, or_at_per_h: float = np.inf) -> Floats:
        """Return the day on which charges began, at such a rate where it was not noted how long they took."""
        gentle_h = np.nan_to_num(self.charge("charge_ah")) / (or_at_per_h * self.of_topup(lambda f: f.rated_ah))
        noted_h = self.charge("duration_h")
        return np.asarray(self.topup_day - np.where(np.isnan(noted_h), gentle_h, noted_h) / 24)[charges]

    def open_charges(self, code: str) -> Rows:
        """Return the charges, by pack and time, that nobody looked at since or that no look ends."""
        ended = np.append(np.full(len(self.which), -np.inf), np.inf)
        by_look = self.of(lambda f: float(standing_of(code, f.chemistry).by_look)) == 1.0
        by_cells = np.append(self.of(lambda f: float(standing_of(code, f.chemistry).by_cells)) == 1.0, False)
        words = self.tables.words("readings", "inspected")
        seen = np.where(by_cells[self.reading_pack], words == "cells", np.isin(words, [*LOOKED]))
        rows = np.flatnonzero(seen & (self.reading_pack >= 0))
        np.maximum.at(
            ended, self.reading_pack[rows], self.reading_day[rows] - LOOK_AFTER.total_seconds() / SECONDS_PER_DAY
        )
        ended[:-1] = np.where(by_look, ended[:-1], -np.inf)
        still = self.topup_day > ended[self.topup_pack] - SLACK
        return _InOrder.of(still, self.topup_pack, self.topup_day).rows

    def charge(self, name: str) -> Floats:
        return self.tables.column("topups", name)

    def of_reading(self, get: Callable[[PackFamily], float]) -> Floats:
        return np.append(self.of(get), np.nan)[self.reading_pack]

    def of_topup(self, get: Callable[[PackFamily], float]) -> Floats:
        return np.append(self.of(get), np.nan)[self.topup_pack]


@dataclass(frozen=True)
class Screened:
    """Which packs of some tables have to be asked what.

    Attributes
    ----------
    unsound : bool array, shape (n,)
        The history may be refused, or nothing of it may be known at the moment.
    stops : mapping of str to bool array, shape (n,)
        By code of `STOPS`: the pack may be stopped by it.
    """

    unsound: Bools
    stops: Mapping[str, Bools]

    @cached_property
    def held_up(self) -> Bools:
        """Packs that have to be asked anything, shape (n,)."""
        return np.asarray(np.logical_or.reduce([self.unsound, *self.stops.values()]))

    def codes(self) -> list[frozenset[str] | None]:
        """Return of each pack that is held up, in order, the stops it has to be asked about; None for all of them."""
        found = np.column_stack([held[self.held_up] for held in self.stops.values()])
        names = np.array([*self.stops], dtype=object)
        # What a screen makes of values that cannot be true is nobody's promise.
        unsound = self.unsound[self.held_up]
        return [None if strange else frozenset(names[row]) for row, strange in zip(found, unsound, strict=True)]


def screened(tables: HistoryTables, known: HistoryTables) -> Screened:
    """Find the packs that the checks of a single history have to look at, and which checks.

    Parameters
    ----------
    tables : HistoryTables
        Rows of one pack in order of time.
    known : HistoryTables
        The same, with what is known at the moment asked about.

    Returns
    -------
    Screened
        Of packs that are not held up the history is sound, fits its family, something of it is known at the moment, and
        it then holds no fact of `STOPS` that ends everything.
    """
    with np.errstate(invalid="ignore", over="ignore"):  # values that cannot be true are told as such
        whole = _Look.at(tables)
        look = whole if known is tables else _Look.at(known)
        unsound = _unsound(whole) | _nothing_begun(look)
        everybody = np.ones(len(unsound), dtype=np.bool_)
        asked = [rule.code for rule in STOPS if rule.ends == "everything"]
        made: dict[Callable[[_Look], Bools], Bools] = {}  # two stops may share a screen
        for screen in (_SCREENS[code] for code in asked if code in _SCREENS):
            if screen not in made:
                made[screen] = screen(look)
        return Screened(unsound, {code: made[_SCREENS[code]] if code in _SCREENS else everybody for code in asked})


def stops_of_each(histories: Sequence[PackHistory], families: Mapping[str, PackFamily]) -> list[tuple[Stop, ...]]:
    """Return what ends the job of each of many histories, as `models.packs.stops.stops_of` does of one.

    Parameters
    ----------
    histories : sequence of PackHistory
        Each fits its family.
    families : mapping of str to PackFamily
    """
    if len(histories) < 2:  # asked sooner than made a table of
        return [stops_of(history, families[history.family]) for history in histories]
    tables = tables_from_histories(histories, families)
    held = screened(tables, tables)
    found: list[tuple[Stop, ...]] = [()] * len(histories)
    for place, codes in zip(np.flatnonzero(held.held_up).tolist(), held.codes(), strict=True):
        found[place] = stops_of(histories[place], families[histories[place].family], among=codes)
    return found


def _nothing_begun(look: _Look) -> Bools:
    begun = np.zeros(len(look.which) + 1, dtype=np.bool_)
    begun[look.reading_pack] = begun[look.topup_pack] = True
    return np.asarray(~begun[:-1])


def _unsound(look: _Look) -> Bools:
    """Whether a value, a row or a history as a whole may be refused (`PackHistory`, `family_problems`)."""
    tables, count = look.tables, len(look.which)
    ids, family = (tables.packs[c].to_numpy(dtype=object) for c in ("pack_id", "family"))
    longest = np.array([len(i) if isinstance(i, str) else 0 for i in ids])
    found = (look.which < 0) | (longest < 1) | (longest > 64) | (pd.Series(family).isna().to_numpy())
    found |= _out_of_bounds(PackHistory, tables.packs)
    for name, fact in FACTS.items():
        frame: pd.DataFrame = getattr(tables, name)
        places = tables.codes(name)
        bad = _out_of_bounds(fact, frame)
        if name != "usage":
            bad |= frame["time"].isna().to_numpy()
        found |= look.any_of(places, bad)
    found |= _nothing_begun(look)
    found |= look.any_of(look.reading_pack, _unsound_readings(look))
    found |= look.any_of(look.topup_pack, _unsound_topups(look))
    places = look.outcome_pack
    kinds = tables.outcomes["kind"].isin(("returned", "replaced", "retired", "running")).to_numpy()
    first = np.full(count + 1, np.inf)
    np.minimum.at(first, look.topup_pack, look.topup_day)
    first[-1] = np.inf
    return np.asarray(found | look.any_of(places, ~kinds | ~(look.outcome_day >= first[places])))


def _out_of_bounds(fact: type[BaseModel], frame: pd.DataFrame) -> Bools:
    bad = np.zeros(len(frame), dtype=np.bool_)
    for column in columns_of(fact, without=frozenset(FACTS)):
        if column.kind == "number" and column.name in frame:
            values = frame[column.name].to_numpy(np.float64, na_value=np.nan)
            bad |= np.isinf(values)
            for sign, limit in bounds_of(fact, column.name):
                bad |= _WORSE[sign](values, limit)
        elif column.kind == "text" and column.name in frame and column.name not in ("pack_id", "family"):
            # A word is asked of once, however many rows hold it.
            place, words = pd.factorize(frame[column.name])
            wrong = np.array([*(not may_be(fact, column.name, word) for word in words), False])
            bad |= wrong[place]
        elif column.kind == "time" and column.name in frame:
            day = to_days(frame[column.name])
            bad |= (day < _DAYS_MEANT[0]) | (day >= _DAYS_MEANT[1])
    return bad


def _unsound_readings(look: _Look) -> Bools:
    cells, blocks = look.of_reading(lambda f: f.cells_per_block), look.of_reading(lambda f: f.blocks)
    most = 1.25 * look.of_reading(lambda f: f.max_cell_v) * cells
    current, lowest = look.number("current_a"), look.ordered[:, 0]
    bad = (look.read < 2) | (look.highest > np.minimum(most, MAX_BLOCK_V) - SLACK)
    bad |= (lowest < -0.5 * cells + SLACK) | (lowest < -MAX_BLOCK_V)
    bad |= (look.state("discharge") & (current < 0)) | (look.state("charge") & (current > 0))
    bad |= ~(look.state("rest") | look.state("discharge") | look.state("charge")) | np.isinf(look.volts).any(axis=1)
    bad |= _unsound_resistances(look, blocks)
    code, stored = (look.tables.words("readings", name) for name in ("code", "code_state"))
    bad |= ~pd.isna(code) != (~pd.isna(stored) & (stored != "none"))
    width = look.volts.shape[1]
    beyond = blocks < width
    if beyond.any():
        place = np.arange(1, width + 1)
        bad[beyond] |= (~np.isnan(look.volts[beyond]) & (place > blocks[beyond, None])).any(axis=1)
    return np.asarray(bad | (blocks > width))


def _unsound_resistances(look: _Look, blocks: Floats) -> Bools:
    told = look.tables.words("readings", "resistance_mohm")
    bad = np.zeros(len(told), dtype=np.bool_)
    for row in np.flatnonzero(~pd.isna(told)):
        values = list_of(told[row])
        bad[row] = (
            isinstance(values, str)
            or len(values) != blocks[row]
            or any(value is not None and not 0 <= value <= MAX_BLOCK_MOHM for value in values)
        )
    return bad


def _unsound_topups(look: _Look) -> Bools:
    text = look.tables.topups["blocks"].to_numpy(dtype=object)
    known, place = np.unique([str(t) for t in text], return_inverse=True)
    highest, twice = np.full(len(known), np.inf), np.ones(len(known), dtype=np.bool_)
    for row, written in enumerate(known):
        parts = written.split(" ")
        if all(p.isascii() and p.isdigit() and p[0] != "0" for p in parts):
            highest[row], twice[row] = max(map(int, parts)), len(set(parts)) < len(parts)
    most = look.of_topup(lambda f: 1.25 * f.max_cell_v * f.cells_per_block)
    least = look.of_topup(lambda f: -0.5 * f.cells_per_block)
    bad = twice[place] | (highest[place] > look.of_topup(lambda f: f.blocks))
    for name in ("end_v", "rest_before_v", "rest_after_v"):
        bad |= (look.charge(name) > np.minimum(most, MAX_BLOCK_V) - SLACK) | (look.charge(name) < least + SLACK)
    return np.asarray(bad)


def _hot(look: _Look) -> Bools:
    return look.any_of(look.reading_pack, look.number("temperature_c") >= HOTTEST_PACK_C)


def _charged_cold(look: _Look) -> Bools:
    """Find packs read in the frost at some charge, or in the day before one at which nobody read them."""
    cold = look.number("temperature_c") < COLDEST_C
    found = _read_around(look, look.open_charges("charged-cold"), cold)
    return look.any_of(
        found.charged, found.some | (found.maybe_none & np.append(cold, False)[found.last_before] & found.soaked)
    )


def _charged_hot(look: _Look) -> Bools:
    found = _read_around(look, look.open_charges("charged-hot"), look.number("temperature_c") > HOTTEST_C)
    return look.any_of(found.charged, found.some)


class _ReadAround(NamedTuple):
    """What was read of the temperature of packs, of each of some charges.

    Attributes
    ----------
    charged : int array
        Pack of the charge.
    some : bool array
        Whether a reading of those asked for may be one of the charge itself.
    maybe_none : bool array
        Whether none may be.
    last_before : int array
        Then the last reading before, −1 where there is none.
    soaked : bool array
        Whether that one may count.
    """

    charged: Rows
    some: Bools
    maybe_none: Bools
    last_before: Rows
    soaked: Bools


def _read_around(look: _Look, charges: Rows, asked: Bools) -> _ReadAround:
    read = _InOrder.of(~np.isnan(look.number("temperature_c")), look.reading_pack, look.reading_day)
    around, soaked = (span.total_seconds() / SECONDS_PER_DAY for span in (AROUND_CHARGE, SOAKED))
    pack, begun, ended = look.topup_pack[charges], look.begun(charges, GENTLE_CHARGE_PER_H), look.topup_day[charges]
    widest = read.place(pack, begun - around - _KEY_DAYS), read.place(pack, ended + around + _KEY_DAYS)
    least = read.place(pack, begun - around + _KEY_DAYS), read.place(pack, ended + around - _KEY_DAYS)
    count = np.append(0, np.cumsum(asked[read.rows]))
    last, _ = read.around(pack, begun - around + _KEY_DAYS)
    near = (last >= 0) & (np.append(look.reading_day, np.nan)[last] >= begun - soaked - _KEY_DAYS)
    return _ReadAround(pack, count[widest[1]] > count[widest[0]], least[1] <= least[0], last, near)


def _damaged(look: _Look) -> Bools:
    seen = look.tables.words("readings", "inspected") == "damaged"
    return look.any_of(look.reading_pack, np.asarray(seen, dtype=np.bool_))


def _isolation(look: _Look) -> Bools:
    noted = look.any_of(look.reading_pack, _is_code(look.tables.words("readings", "code"), ISOLATION))
    return noted | look.any_of(look.outcome_pack, _is_code(look.tables.words("outcomes", "code"), ISOLATION))


def _is_code(words: NDArray[np.object_], code: str) -> Bools:
    place, known = pd.factorize(words)  # a word is asked of once, however many rows hold it
    return np.array([*(str(word).upper() == code for word in known), False], dtype=np.bool_)[place]


def _no_volts(look: _Look) -> Bools:
    most = look.of_reading(lambda f: f.cells_per_block * NOTHING_CELL_V)
    return look.any_of(look.reading_pack, look.ordered[:, 0] < most + SLACK)


def _not_its_volts(look: _Look) -> Bools:
    low, high = (look.of_reading(lambda f, end=end: rest_window_v(f)[end]) for end in (0, 1))  # type: ignore[misc]
    off = (look.median < low + SLACK) | (look.median > high - SLACK)
    return look.any_of(look.reading_pack, look.resting & off)


def _chemistry(look: _Look) -> Bools:
    """Find volts that fit the other chemistry too, where the sag under load may be that of it, or none is known."""
    nimh = look.of(lambda f: float(f.chemistry == "nimh")) == 1.0
    rest, found = look.resting, np.zeros(len(look.which), dtype=np.bool_)
    newest = np.full(len(look.which) + 1, np.nan)
    newest[look.reading_pack[rest]] = look.median[rest]
    median = newest[:-1]
    cells = np.round(median / np.where(nimh, LITHIUM_CELL_V, NIMH_CELL_V))
    low, high = (np.where(nimh, LITHIUM_CELLS_V[end], NIMH_CELLS_V[end]) for end in (0, 1))
    per_cell = median / np.maximum(cells, 1)
    fits = (cells >= 1) & (per_cell >= low - SLACK) & (per_cell <= high + SLACK)
    if not fits.any():
        return found
    other = cells * np.where(nimh, LITHIUM_CELL_MOHM, NIMH_CELL_MOHM)
    own = look.of(lambda f: f.cells_per_block * float(np.interp(f.soc_target, f.curves.soc, f.curves.discharge_mohm)))
    lithium_mohm, nimh_mohm = np.minimum(own, other), np.maximum(own, other)
    most_cells = np.maximum(look.of(lambda f: f.cells_per_block), np.round(median / NIMH_CELL_V))
    least_a = 1e3 * most_cells * NIMH_HYSTERESIS_V / (nimh_mohm - lithium_mohm)
    rows = np.flatnonzero(look.state("discharge") & (look.reading_pack >= 0))
    rows = rows[fits[look.reading_pack[rows]]]
    pack, current = look.reading_pack[rows], look.number("current_a")[rows]
    day, visit = look.reading_day, VISIT.total_seconds() / SECONDS_PER_DAY
    around = look.rests.around(pack, day[rows])
    apart = np.array([np.where(near >= 0, np.abs(day[near] - day[rows]), np.inf) for near in around])
    nearest = apart.min(axis=0)
    sags = np.array([1e3 * (look.median[near] - look.median[rows]) / current for near in around])
    sags[~(apart <= nearest + SLACK)] = np.nan
    maybe = (current >= least_a[pack] * (1 - 1e-9)) & (nearest <= visit + SLACK)
    surely = (current >= least_a[pack] * (1 + 1e-9)) & (nearest <= visit - SLACK) & (np.fmin(*sags) > SLACK)
    # What the newest load tells that tells anything is what counts.
    last = np.full(len(look.which), -np.inf)
    np.maximum.at(last, pack[surely], day[rows[surely]])
    told, maybe = np.isfinite(last), maybe & (day[rows] >= last[pack])
    as_lithium = look.any_of(pack, maybe & (np.fmin(*sags) < FALLS * nimh_mohm[pack] + SLACK))
    as_nimh = look.any_of(pack, maybe & (np.fmax(*sags) > LITHIUM_RISES * lithium_mohm[pack] - SLACK))
    as_neither = look.any_of(pack, maybe & (np.fmin(*sags) < FALLS * lithium_mohm[pack] + SLACK))
    return np.asarray(fits & np.where(nimh, as_lithium, ~told | as_nimh | as_neither))


def _reversed(look: _Look) -> Bools:
    return look.any_of(look.reading_pack, look.ordered[:, 0] < SLACK)


def _below_floor(look: _Look) -> Bools:
    floor = look.of_reading(lambda f: f.cells_per_block * f.min_cell_v)
    lithium = look.of_reading(lambda f: float(f.chemistry == "lithium-ion")) == 1.0
    asked = look.resting | look.state("charge") | lithium
    return look.any_of(look.reading_pack, asked & (look.ordered[:, 0] < floor + SLACK))


def _collapsed(look: _Look) -> Bools:
    """Under load the lowest block lies so far below the others: where any block does, it does.

    A block that reads nothing, which the check passes over, is held up as such.
    """
    peers, limit = look.median_from(1), np.full(len(look.ordered), np.nan)
    family_of = np.append(look.which, -1)[look.reading_pack]
    for number, family in enumerate(look.families):
        limit[family_of == number] = collapse_v(family, peers[family_of == number])
    return look.any_of(look.reading_pack, look.state("discharge") & (look.ordered[:, 0] <= limit + SLACK))


def _cell_down(look: _Look) -> Bools:
    """In some reading at rest a block lies a cell's worth below the others, or less if some block was just charged.

    Where any block does, the lowest one does: the median of the others rises by as much as it falls behind.
    """
    above = look.median_from(1)
    # Whichever block is left out, the median of the others lies between those without the highest and the lowest.
    below = look.median_to(1)
    soon = look.just_charged
    limit, family_of = np.full(len(look.ordered), np.nan), np.append(look.which, -1)[look.reading_pack]
    for number, family in enumerate(look.families):
        own = family_of == number
        allowed = (family.cells_per_block - 1) * family.hysteresis_charge_v
        limit[own] = np.where(
            soon[own],
            np.maximum(one_cell_down_v(family, above[own]), one_cell_down_v(family, below[own]) + allowed),
            one_cell_down_v(family, above[own]),
        )
    return look.any_of(look.reading_pack, look.resting & (look.ordered[:, 0] - above <= limit + SLACK))


def _over_voltage(look: _Look) -> Bools:
    most = look.of_topup(lambda f: f.cells_per_block * f.max_cell_v)
    charged = look.any_of(look.topup_pack, look.charge("end_v") > most - SLACK)
    most, family_of = np.full(len(look.ordered), np.nan), np.append(look.which, -1)[look.reading_pack]
    loaded, current_a = look.state("discharge"), np.nan_to_num(look.number("current_a"))
    into_a = np.where(look.state("charge"), -current_a, 0.0)
    for number, family in enumerate(look.families):
        own = family_of == number
        most[own] = np.where(loaded[own], most_drawn_v(family, current_a[own]), most_charged_v(family, into_a[own]))
    asked = look.resting | look.state("charge") | loaded
    return charged | look.any_of(look.reading_pack, asked & (look.highest > most - SLACK))


def _overfilled(look: _Look) -> Bools:
    """Find charges, into whichever block, that are together more than it holds and may have lost between them."""
    rated = look.of_topup(lambda f: f.rated_ah)
    charge, may_lose = np.nan_to_num(look.charge("charge_ah")), rated * LATER_SHARE_PER_DAY * look.topup_day
    by_pack = pd.Series(charge).groupby(look.topup_pack)
    put_in = by_pack.cumsum().to_numpy(np.float64)
    least = pd.Series(put_in - charge - may_lose).groupby(look.topup_pack).cummin().to_numpy(np.float64)
    return look.any_of(look.topup_pack, put_in - may_lose - least > rated - SLACK)


def _wrong_block(look: _Look) -> Bools:
    """Around some charge a block that was not charged rose, or had lain low, by as much as the check asks."""
    found = np.zeros(len(look.which), dtype=np.bool_)
    charges, every = look.open_charges("wrong-block"), np.ones(len(look.topup_day), dtype=np.bool_)
    returned = _InOrder.of(look.returned, look.outcome_pack, look.outcome_day)
    _, since = returned.around(look.topup_pack[charges], look.topup_day[charges] + _KEY_DAYS)
    charges = charges[since < 0]
    start, end, pack = look.begun(charges), look.topup_day[charges], look.topup_pack[charges]
    visit = VISIT.total_seconds() / SECONDS_PER_DAY
    # Who was read in the very moment at which a window begins or ends may be on either side: looked at in any case.
    for moment in (start - visit, start, end, end + visit):
        found[pack[look.rests.next_to(pack, moment)]] = True
    day = np.append(look.reading_day, np.nan)
    before, (_, after) = look.rests.around(pack, start)[0], look.rests.around(pack, end)
    known = (before >= 0) & (start - day[before] <= visit + SLACK)
    charges, before, after, start, end, pack = (x[known] for x in (charges, before, after, start, end, pack))
    if not len(charges):
        return found
    two = (after >= 0) & (day[after] - end <= visit + SLACK)
    # Several blocks of one visit may be noted as a charge each.
    all_charges = _InOrder.of(every, look.topup_pack, look.topup_day)
    times = np.vstack([look.topped[-1:], look.topped[all_charges.rows]]).cumsum(axis=0, dtype=np.intp)
    until = np.where(two, day[after], end)
    charged = times[all_charges.place(pack, until)] > times[all_charges.place(pack, day[before])]
    charged |= look.topped[charges]
    bad = BAD_SHARE * look.of(lambda f: f.rest_spread_limit_v)[pack]
    off, row = look.volts[before] - others_v(look.volts[before]), np.arange(len(charges))
    low = np.nan_to_num(off, nan=0.0)
    worst = low.argmin(axis=1)
    own = np.where(charged, low, np.inf).min(axis=1)
    now = np.where(two[:, None], look.volts[after], np.nan)
    now = now - others_v(now)
    wrong = ~charged[row, worst] & (low[row, worst] <= -bad + SLACK) & (own >= low[row, worst] / 2 - SLACK)
    wrong &= ~(now[row, worst] > -bad / 2 + SLACK) & ~_charged_lowest_under_load(look, pack, start, charged)
    rise = np.nan_to_num(now - off, nan=0.0)
    most = np.where(charged, -np.inf, rise).max(axis=1)
    least = np.where(charged, rise, -np.inf).max(axis=1)
    found[pack[wrong | (two & (most >= bad - SLACK) & (least < most / 2 + SLACK))]] = True
    return found


def _charged_lowest_under_load(look: _Look, pack: Rows, start: Floats, charged: Bools) -> Bools:
    """Whether the last load of the visit before each of some charges found a block lowest that was charged."""
    loads = _InOrder.of(look.state("discharge"), look.reading_pack, look.reading_day)
    visit = VISIT.total_seconds() / SECONDS_PER_DAY
    last, _ = loads.around(pack, start)
    sure = (last >= 0) & (np.append(look.reading_day, np.nan)[last] > start - visit + _KEY_DAYS)
    sure &= ~loads.next_to(pack, start)
    volts = look.volts[last]
    off = np.nan_to_num(volts - others_v(volts), nan=np.inf)
    return np.asarray(sure & charged[np.arange(len(last)), off.argmin(axis=1)])


_SCREENS: Final[Mapping[str, Callable[[_Look], Bools]]] = {
    "hot-pack": _hot,
    "was-hot": _hot,
    "isolation": _isolation,
    "damaged": _damaged,
    "no-volts": _no_volts,
    "not-its-volts": _not_its_volts,
    "chemistry": _chemistry,
    "reversed": _reversed,
    "below-floor": _below_floor,
    "collapsed": _collapsed,
    "cell-down": _cell_down,
    "over-voltage": _over_voltage,
    "overfilled": _overfilled,
    "charged-cold": _charged_cold,
    "charged-hot": _charged_hot,
    "wrong-block": _wrong_block,
}
