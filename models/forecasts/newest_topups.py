"""The newest top-up of each of many packs: what flags ask of, side by side."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Bools, Floats, Rows
from models.packs.history import LOOKED
from models.packs.ledger import LEDGER
from models.packs.stops.known import LOOK_AFTER
from models.packs.tables import HistoryTables


@dataclass(frozen=True)
class NewestTopUps:
    """n packs and the facts known of them at the moment of a forecast.

    Attributes
    ----------
    packs : Index, n names
    """

    tables: HistoryTables
    packs: pd.Index[str]

    def __len__(self) -> int:
        return len(self.packs)

    @cached_property
    def _place(self) -> Rows:
        return np.append(self.packs.get_indexer(self.tables.pack_index()), -1)

    @cached_property
    def looked(self) -> Bools:
        """Of each reading, whether somebody looked the pack over and nothing showed."""
        seen = self.tables.words("readings", "inspected")
        return np.asarray(np.logical_or.reduce([seen == word for word in LOOKED]), dtype=np.bool_)

    def done_by(self, code: str) -> Floats:
        """Return up to which day what warns so was seen to of each pack, by what ends it. Shape (n,)."""
        if "insulation" in LEDGER[code].ends:
            return self._insulated_by
        return self._measured_by if LEDGER[code].by_cells else self._looked_by

    @cached_property
    def _looked_by(self) -> Floats:
        return self._last(self.looked)

    @cached_property
    def _measured_by(self) -> Floats:
        return self._last(np.asarray(self.tables.words("readings", "inspected") == "cells", dtype=np.bool_))

    @cached_property
    def _insulated_by(self) -> Floats:
        """Up to just before it was measured: what is live shows at once, but not in the reading that tells of it."""
        measured = np.asarray(self.tables.words("readings", "inspected") == "insulation", dtype=np.bool_)
        return np.nextafter(self._last(measured) + LOOK_AFTER / timedelta(days=1), -np.inf)

    def _last(self, looks: Bools) -> Floats:
        """Return up to which day what was done shows by the newest of some looks."""
        last, of = np.full(len(self), -np.inf), self.owner("readings")
        own = np.flatnonzero(looks & (of >= 0))
        np.maximum.at(last, of[own], self.tables.days("readings")[own] - LOOK_AFTER / timedelta(days=1))
        return last

    @cached_property
    def rows(self) -> Rows:
        """Row of each pack's newest top-up, −1 where there is none. Shape (n,)."""
        rows, of = np.full(len(self), -1), self.owner("topups")
        rows[of[of >= 0]] = np.flatnonzero(of >= 0)  # in order of time, so the last one wins
        return rows

    def owner(self, table: str) -> Rows:
        """Return the place among the packs of the one that each row of a table is of, −1 for any other."""
        return self._place[self.tables.codes(table)]

    @cached_property
    def _by_owner(self) -> dict[str, tuple[Rows, Rows]]:
        return {}

    def rows_of(self, table: str, place: int) -> Rows:
        """Return the rows of a table that are of one pack, by its place, in their order."""
        if table not in self._by_owner:
            owner = self.owner(table)
            order = np.argsort(owner, kind="stable")
            self._by_owner[table] = order, np.searchsorted(owner[order], np.arange(len(self) + 1))
        order, first = self._by_owner[table]
        return order[first[place] : first[place + 1]]

    def of(self, name: str) -> Floats:
        """Return a number of each newest top-up, NaN where there is none. Shape (n,)."""
        return np.append(self.tables.column("topups", name), np.nan)[self.rows]

    def words(self, name: str) -> NDArray[np.object_]:
        """Return a word of each newest top-up, None where there is none. Shape (n,)."""
        missing: NDArray[Any] = np.array([None], dtype=object)
        return np.asarray(np.append(self.tables.words("topups", name), missing)[self.rows])

    @cached_property
    def day(self) -> Floats:
        """End of each newest charge, days since 1970; NaN where there is none. Shape (n,)."""
        return np.append(self.tables.days("topups"), np.nan)[self.rows]

    @cached_property
    def looked_since(self) -> Bools:
        """Whether somebody looked each pack over after its newest charge, late enough to count. Shape (n,)."""
        of, day = self.owner("readings"), self.tables.days("readings")
        since = np.append(self.day, np.nan)[of] + LOOK_AFTER / timedelta(days=1)
        seen = np.zeros(len(self) + 1, dtype=np.bool_)
        seen[of[self.looked & (day >= since)]] = True
        return seen[:-1]

    def blocks(self, row: int) -> list[int]:
        """Blocks of a top-up, from 0, by its row."""
        return [int(block) - 1 for block in str(self.tables.words("topups", "blocks")[row]).split()]

    @cached_property
    def _swaps(self) -> dict[tuple[int, int], float]:
        """Day on which a module of a block (from 0) of a pack was last swapped, by place and block."""
        of, day = self.owner("topups"), self.tables.days("topups")
        last: dict[tuple[int, int], float] = {}
        for row in np.flatnonzero((of >= 0) & (self.tables.words("topups", "also_done") == "module-swapped")):
            for block in self.blocks(int(row)):
                key = int(of[row]), block
                last[key] = max(float(day[row]), last.get(key, -np.inf))
        return last

    def swapped(self, place: int, block: int, day: float) -> bool:
        """Whether a module of a block (from 0) of a pack was swapped after a day."""
        return self._swaps.get((place, block), -np.inf) > day

    @cached_property
    def family(self) -> NDArray[np.object_]:
        """Name of each pack's family. Shape (n,)."""
        return self.tables.words("packs", "family")[self.tables.pack_index().get_indexer(self.packs)]
