"""Grave flags of charges before the newest of each of many packs: no later charge or return ends them."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from models.base.arrays import Floats, Rows
from models.base.messages import Said, say, say_count
from models.features.derived import derive, surplus_share
from models.features.raw import raw_features
from models.forecasts.charge_flags import flags_of_charges
from models.forecasts.forecast import Flag
from models.forecasts.newest_topups import NewestTopUps
from models.forecasts.noted import charges_noted_in
from models.forecasts.suspect_charges import may_warn
from models.packs.ledger import LEDGER
from models.packs.tables import SECONDS_PER_DAY, HistoryTables, date_of, from_days, known_at, to_days

_WARNED: Final = {
    "overcharge": say("more may have gone in than was missing"),
    "charged-again": say("a block may have been charged twice"),
    "fast-charge": say("it was charged many times as hard as a gentle charge"),
    "maybe-charged-cold": say("the pack may have been charged in the frost"),
    "block-not-risen": say("hardly any of it showed in the block that it was noted for"),
    "warm-pack": say("the pack was read hot around it or since"),
}
"""What may have harmed cells, or went elsewhere, by the code of the flag."""

MOST_EARLIER: Final = 8
"""Charges before the newest that are weighed, the last ones. Invented: each is weighed as it was then, and a history of
thousands would keep its caller waiting. Those before them are to be looked at, whatever they were."""

TOO_MANY: Final = "charges-unweighed"


def flags_of_earlier_charges(tables: HistoryTables, moments: pd.DataFrame) -> list[tuple[Flag, ...]]:
    """List what the charges before the newest still warn of: nobody looked since, and no module of theirs was swapped.

    Of the `MOST_EARLIER` before the newest; that there are more is a warning of its own.

    Parameters
    ----------
    tables : HistoryTables
        Facts known at the moments, of which each pack has one.
    moments : DataFrame, n rows
        Columns ``pack_id`` and ``origin``.
    """
    newest = NewestTopUps(tables, pd.Index(moments["pack_id"]))
    found: list[list[Flag]] = [[] for _ in range(len(newest))]
    owner, day = newest.owner("topups"), tables.days("topups")
    rows = np.flatnonzero(owner >= 0)
    rows = rows[np.lexsort((-day[rows], owner[rows]))]  # of each pack the newest first
    if not len(rows):
        return [()] * len(newest)
    age = np.arange(len(rows)) - np.searchsorted(owner[rows], owner[rows])
    reader, read_day = newest.owner("readings"), tables.days("readings")
    done = {code: newest.done_by(code) for code in _WARNED}
    longest_open = np.minimum.reduce([*done.values()])
    for pack, count in _unweighed(newest, rows[age > MOST_EARLIER], newest.done_by(TOO_MANY)).items():
        found[pack].append(_too_many(count))
    weighed = np.flatnonzero((age > 0) & (age <= MOST_EARLIER))
    ends_of = day[rows[weighed - 1]] - 1 / SECONDS_PER_DAY
    weighed, ends_of = weighed[kept := day[rows[weighed]] <= ends_of], ends_of[kept]
    kept = may_warn(newest, rows[weighed], to_days(from_days(ends_of)))  # as `known_at` is asked below
    weighed, ends_of = weighed[kept], ends_of[kept]
    for number in np.unique(age[weighed]):
        of_age = age[weighed] == number
        asked, ends = rows[weighed[of_age]], ends_of[of_age]
        # What was read of the pack before the next charge, and is not seen to before.
        last = day[asked].copy()
        of = np.full(len(newest), -1)
        of[owner[asked]] = np.arange(len(asked))
        mine = np.flatnonzero(reader >= 0)
        mine = mine[of[reader[mine]] >= 0]
        mine = mine[read_day[mine] <= ends[of[reader[mine]]]]
        np.maximum.at(last, of[reader[mine]], read_day[mine])
        open_still = longest_open[owner[asked]] < last
        asked, ends, last = asked[open_still], ends[open_still], last[open_still]
        if not len(asked):
            continue
        then = pd.DataFrame({"pack_id": newest.packs[owner[asked]], "origin": from_days(ends)})
        known = known_at(tables, then)
        raw = raw_features(known, then)
        told = flags_of_charges(derive(raw), surplus_share(raw), charges_noted_in(known, then))
        for row, upto, flags in zip(asked, last, told, strict=True):
            pack, charged = int(owner[row]), float(day[row])
            swapped = all(newest.swapped(pack, block, charged) for block in newest.blocks(int(row)))
            for flag in flags:
                if not flag.grave or flag.code not in _WARNED:
                    continue
                of_pack = LEDGER[flag.code].about == "pack"
                if done[flag.code][pack] < (upto if of_pack else charged) and (of_pack or not swapped):
                    told_of = _to_measure if LEDGER[flag.code].by_cells else _to_look
                    found[pack].append(Flag(flag.code, told_of(date_of(charged), _WARNED[flag.code]), grave=True))
    return [tuple(dict.fromkeys(flags)) for flags in found]


def _to_look(day: str, what: Said) -> Said:
    return say(
        "Nobody has written down that they looked the pack over since its charge of %(day)s: %(what)s. "
        "Look for swelling, leaks and heat, and read all blocks at rest again.",
        day=day,
        what=what,
    )


def _to_measure(day: str, what: Said) -> Said:
    return say(
        "Nobody has written down that the cells were measured since the charge of %(day)s: %(what)s. Have them "
        "measured, a look alone does not tell, and read all blocks at rest again.",
        day=day,
        what=what,
    )


def _unweighed(newest: NewestTopUps, rows: Rows, looked: Floats) -> dict[int, int]:
    """Count, by place among the packs, the charges that are not weighed and that nobody has seen to since.

    Parameters
    ----------
    rows : int array
        Top-ups that are not weighed.
    looked : array, shape (len(newest),)
        Day up to which each pack was looked over.
    """
    owner, day = newest.owner("topups"), newest.tables.days("topups")
    open_still: dict[int, int] = {}
    for row in rows[looked[owner[rows]] < day[rows]].tolist():
        pack = int(owner[row])
        if not all(newest.swapped(pack, block, float(day[row])) for block in newest.blocks(row)):
            open_still[pack] = open_still.get(pack, 0) + 1
    return open_still


def _too_many(count: int) -> Flag:
    text = say_count(
        "Before the last %(weighed)s charges there was one more. Nobody has written down that they looked the pack "
        "over since, and what it did is not weighed: look for swelling, leaks and heat, and read all blocks at rest "
        "again.",
        "Before the last %(weighed)s charges there were %(count)s more. Nobody has written down that they looked the "
        "pack over since, and what they did is not weighed: look for swelling, leaks and heat, and read all blocks at "
        "rest again.",
        count,
        weighed=MOST_EARLIER + 1,
        count=count,
    )
    return Flag(TOO_MANY, text, grave=True)
