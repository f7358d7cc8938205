"""Blocks of which the newest readings tell nothing: others were read, and so the pack passed for one read."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

import numpy as np

from models.base.arrays import Bools, Floats, Rows
from models.base.messages import say, say_count
from models.features.raw import used_readings
from models.forecasts.forecast import Flag
from models.forecasts.newest_topups import NewestTopUps
from models.forecasts.withheld import UNREAD_AFTER
from models.packs.stops.known import LOOK_AFTER, VISIT
from models.packs.tables import date_of

MOSTLY_UNREAD: Final = "most-blocks-unread"
"""Flag of a pack of which the newest readings since its charge leave out more blocks than they hold."""

_DAY: Final = timedelta(days=1)


def unread_blocks(newest: NewestTopUps) -> dict[int, list[Flag]]:
    """Name the blocks charged at the visit of the newest charge that nobody read since, by place among the packs.

    At rest after its charge, as every promise asks, and in any state within a day of the newest reading: what was
    read of others later tells nothing of it. Each counts from its own charge. A pack that was read at rest in none of
    its blocks since is left to the flag of a missing reading.
    """
    tables, count = newest.tables, len(newest)
    of, day = newest.owner("readings"), tables.days("readings")
    charged_of, charge_day = newest.owner("topups"), tables.days("topups")
    late = np.flatnonzero((charged_of >= 0) & (charge_day >= np.append(newest.day, np.nan)[charged_of] - VISIT / _DAY))
    volts = tables.volts()
    charged = np.full((count, volts.shape[1]), -np.inf)  # day of each block's newest charge of that visit
    named = tables.topped()[late, : volts.shape[1]]
    at, block = np.nonzero(named)
    np.maximum.at(charged, (charged_of[late[at]], block), charge_day[late[at]])
    read = np.isfinite(volts) & used_readings(tables)[:, None]
    rows = np.flatnonzero((of >= 0) & read.any(axis=1) & (day >= np.append(newest.day, np.nan)[of]))
    rest = np.asarray(tables.words("readings", "state")[rows] == "rest", dtype=np.bool_)
    found: dict[int, list[Flag]] = {}
    for place in _doubtful(of[rows], read[rows], rest, day[rows], np.isfinite(charged)):
        own = rows[of[rows] == place]
        resting = rest[of[rows] == place]
        if not resting.any():
            continue
        when = np.where(read[own], day[own, None], -np.inf)
        at_rest = np.where(resting[:, None], when, -np.inf).max(axis=0)
        unread = (at_rest < charged[place]) | (when.max(axis=0) < day[own].max() - LOOK_AFTER / _DAY)
        blocks = np.flatnonzero(np.isfinite(charged[place]) & unread) + 1
        if len(blocks):
            text = say_count(
                "Block %(blocks)s, which was charged, was not read when the others were read, last on %(day)s: read it "
                "at rest before anybody goes by this.",
                "Blocks %(blocks)s, which were charged, were not read when the others were read, last on %(day)s: read "
                "them at rest before anybody goes by this.",
                len(blocks),
                blocks=", ".join(map(str, blocks.tolist())),
                day=date_of(float(day[own].max())),
            )
            found[place] = [Flag(UNREAD_AFTER, text)]
    return found


def mostly_unread(newest: NewestTopUps) -> dict[int, Flag]:
    """Name the packs of which more blocks were left out than read since the charge, by place among the packs.

    Of the newest reading and those within a day before it, in any state. Those that were read have no median of the
    pack to be held against then, and any of the others may be down.
    """
    tables = newest.tables
    of, day, volts = newest.owner("readings"), tables.days("readings"), tables.volts()
    read = np.isfinite(volts) & used_readings(tables)[:, None]
    rows = np.flatnonzero((of >= 0) & read.any(axis=1) & (day >= np.append(newest.day, np.nan)[of]))
    last = np.full(len(newest), -np.inf)
    np.maximum.at(last, of[rows], day[rows])
    rows = rows[day[rows] >= last[of[rows]] - LOOK_AFTER / _DAY]
    seen = np.zeros((len(newest), volts.shape[1]), dtype=np.bool_)
    np.logical_or.at(seen, of[rows], read[rows])
    blocks = np.array([tables.families[name].blocks for name in newest.family])
    few = np.flatnonzero(np.isfinite(last) & (2 * seen.sum(axis=1) < blocks))
    return {place: _few_read(seen[place, : blocks[place]], float(last[place])) for place in few.tolist()}


def _few_read(seen: Bools, day: float) -> Flag:
    unread, read = (", ".join(map(str, np.flatnonzero(these) + 1)) for these in (~seen, seen))
    text = say(
        "Last read, on %(day)s, were %(read)s of %(blocks)s blocks alone: %(seen)s. Of the others, %(unread)s, nobody "
        "knows whether they are down, nor are there peers to hold a weak one against: read all blocks at rest before "
        "anybody goes by this.",
        day=date_of(day),
        read=int(seen.sum()),
        blocks=len(seen),
        seen=read,
        unread=unread,
    )
    return Flag(MOSTLY_UNREAD, text, grave=True)


def _doubtful(of: Rows, read: Bools, rest: Bools, day: Floats, charged: Bools) -> list[int]:
    """Packs of which some charged block is missing in the newest reading, or in the one that is read best at rest."""
    whole = ~(charged[of] & ~read).any(axis=1)
    newest = np.full(len(charged), -np.inf)
    np.maximum.at(newest, of, day)
    sound = np.zeros((2, len(charged)), dtype=np.bool_)
    sound[0, of[whole & (day == newest[of])]] = True
    sound[1, of[whole & rest]] = True
    return np.flatnonzero(np.isfinite(newest) & ~sound.all(axis=0)).tolist()
