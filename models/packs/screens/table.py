"""Every screen by the code of its stop, and how many packs are asked at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from models.base.arrays import Bools
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.screens import cells, charging, identity, looked_over, unsound
from models.packs.screens.look import Look
from models.packs.stops import STOPS, Stop, stops_of
from models.packs.tables import HistoryTables, tables_from_histories


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


_SCREENS: Final[Mapping[str, Callable[[Look], Bools]]] = {
    "hot-pack": looked_over.hot,
    "was-hot": looked_over.hot,
    "isolation": looked_over.isolation,
    "damaged": looked_over.damaged,
    "no-volts": identity.no_volts,
    "not-its-volts": identity.not_its_volts,
    "chemistry": identity.chemistry,
    "reversed": cells.reversed_block,
    "below-floor": cells.below_floor,
    "collapsed": cells.collapsed,
    "cell-down": cells.cell_down,
    "over-voltage": charging.over_voltage,
    "overfilled": charging.overfilled,
    "charged-cold": charging.charged_cold,
    "charged-hot": charging.charged_hot,
    "wrong-block": charging.wrong_block,
}


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
        whole = Look.at(tables)
        look = whole if known is tables else Look.at(known)
        strange = unsound.may_be_refused(whole) | unsound.nothing_begun(look)
        everybody = np.ones(len(strange), dtype=np.bool_)
        asked = [rule.code for rule in STOPS if rule.ends == "everything"]
        made: dict[Callable[[Look], Bools], Bools] = {}  # two stops may share a screen
        for screen in (_SCREENS[code] for code in asked if code in _SCREENS):
            if screen not in made:
                made[screen] = screen(look)
        return Screened(strange, {code: made[_SCREENS[code]] if code in _SCREENS else everybody for code in asked})


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
