"""Tables of many packs as the screens look at them, and how a row is found by a pack and a day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd

from models.base.arrays import Bools, Floats, Rows
from models.base.moments import EARLIEST, LATEST
from models.packs.contradictions import FLOWING_C
from models.packs.family import PackFamily
from models.packs.history import LOOKED
from models.packs.ledger import standing_of
from models.packs.stops.known import BEFORE_DRIVING, LOOK_AFTER
from models.packs.tables import SECONDS_PER_DAY, HistoryTables

SLACK: Final = 1e-6
"""V, Ah or days by which a screen is wider than its check: rounding must let nothing through."""


KEY_DAYS: Final = 1e-3
"""Days by which a key of pack and day may be off: of a million packs it is rounded by a tenth of this."""


DAYS_MEANT: Final = tuple(moment.timestamp() / SECONDS_PER_DAY for moment in (EARLIEST, LATEST))


_PACK_KEY: Final = 1e6
"""Days since 1970 lie well below this, so that packs do not mix."""


@dataclass(frozen=True)
class InOrder:
    """Some rows of a table by pack and time, to be found by a pack and a day."""

    rows: Rows
    pack: Rows
    key: Floats

    @classmethod
    def of(cls, some: Bools, pack: Rows, day: Floats) -> InOrder:
        """Put in order those of known packs and of a day that may be meant; others are refused (`screens.unsound`)."""
        rows = np.flatnonzero(some & (pack >= 0) & (day >= DAYS_MEANT[0]) & (day < DAYS_MEANT[1]))
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
        return np.asarray(self.place(pack, day + KEY_DAYS) > self.place(pack, day - KEY_DAYS))


def _key(pack: Rows, day: Floats) -> Floats:
    return np.asarray(pack * _PACK_KEY + day)


@dataclass(frozen=True)
class Look:
    """Tables as the screens look at them; everything by pack, in order of `packs`."""

    tables: HistoryTables
    families: tuple[PackFamily, ...]
    which: Rows
    """Family of each pack, −1 where it is not known."""

    @classmethod
    def at(cls, tables: HistoryTables) -> Look:
        """Look at tables."""
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
        """Pack of each reading."""
        return self.tables.codes("readings")

    @cached_property
    def volts(self) -> Floats:
        """Volts of each reading, shape (readings, blocks); NaN where a block was not read."""
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
        """Middle of the blocks of each reading, V."""
        return self.median_from(0)

    @cached_property
    def highest(self) -> Floats:
        """Highest block of each reading, V."""
        row = np.arange(len(self.ordered))
        return np.asarray(np.where(self.read > 0, self.ordered[row, np.maximum(self.read - 1, 0)], np.nan))

    def state(self, name: str) -> Bools:
        """Whether each reading was taken in a state."""
        return np.asarray(self.tables.words("readings", "state") == name)

    @cached_property
    def resting(self) -> Bools:
        """Read at rest, and without a current that says otherwise (`models.packs.contradictions.flows`)."""
        flowing = np.abs(self.number("current_a")) >= FLOWING_C * self.of_reading(lambda f: f.rated_ah)
        return np.asarray(self.state("rest") & ~flowing)

    def number(self, name: str) -> Floats:
        """Return a figure of each reading."""
        return self.tables.column("readings", name)

    @cached_property
    def reading_day(self) -> Floats:
        """Day of each reading, since 1970."""
        return self.tables.days("readings")

    @cached_property
    def topup_pack(self) -> Rows:
        """Pack of each top-up."""
        return self.tables.codes("topups")

    @cached_property
    def topup_day(self) -> Floats:
        """Day on which each top-up ended."""
        return self.tables.days("topups")

    @cached_property
    def outcome_pack(self) -> Rows:
        """Pack of each outcome."""
        return self.tables.codes("outcomes")

    @cached_property
    def outcome_day(self) -> Floats:
        """Day of each outcome."""
        return self.tables.days("outcomes")

    @cached_property
    def returned(self) -> Bools:
        """Whether each outcome is a fault that came back."""
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
        charges = InOrder.of(every, self.topup_pack, self.topup_day)
        last, _ = charges.around(self.reading_pack, self.reading_day + KEY_DAYS)
        since = self.reading_day - np.append(self.topup_day, np.nan)[last]
        return np.asarray((last >= 0) & (since <= soon))

    @cached_property
    def rests(self) -> InOrder:
        """Readings at rest, to be found by pack and day."""
        return InOrder.of(self.resting, self.reading_pack, self.reading_day)

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
        return InOrder.of(still, self.topup_pack, self.topup_day).rows

    def charge(self, name: str) -> Floats:
        """Return a figure of each top-up."""
        return self.tables.column("topups", name)

    def of_reading(self, get: Callable[[PackFamily], float]) -> Floats:
        """Return a figure of the family of each reading's pack; NaN where it is not known."""
        return np.append(self.of(get), np.nan)[self.reading_pack]

    def of_topup(self, get: Callable[[PackFamily], float]) -> Floats:
        """Return the same of each top-up's pack."""
        return np.append(self.of(get), np.nan)[self.topup_pack]
