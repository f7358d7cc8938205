"""What the car's own controller tells since the newest charge: codes that stand, and figures that no forecast uses."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Bools
from models.base.messages import say
from models.forecasts.forecast import Flag
from models.forecasts.newest_topups import NewestTopUps
from models.forecasts.standing import limit_v
from models.packs.tables import date_of, list_of

LOOKED: Final = ("none", "pending", "confirmed", "permanent")
"""What is noted where somebody looked for a code (`BlockReading.code_state`)."""

WORN_TIMES: Final = 2.5
"""How many times its resistance when new a cell has at most at the end of its life. From memory, unverified."""

_NOT_USED: Final = Flag(
    "controller-not-used",
    say(
        "What the controller tells (state of charge, spread) is kept, but the model does not use it: it goes by the "
        "volts of the blocks."
    ),
)


def told_by_controller(
    newest: NewestTopUps,
) -> tuple[NDArray[np.object_], NDArray[np.object_], Bools, NDArray[np.object_]]:
    """Return the newest code that was looked for since the newest charge, and what else is on record.

    One that was confirmed stands before a newer look that found none: a scan tool erases it, and mends nothing. A
    pending one goes by itself once the monitor ran without a fault (13 CCR 1968.2).

    Returns
    -------
    code, code_state : object array, shape (n,)
        A word, or what counts as missing.
    figures : bool array, shape (n,)
        State of charge or spread was told.
    resistances : object array, shape (n,)
        The newest that were told of each block, as tables hold them, or what counts as missing.
    """
    tables = newest.tables
    of, day = newest.owner("readings"), tables.days("readings")
    code, state = (np.full(len(newest), None, dtype=object) for _ in range(2))
    figures = np.zeros(len(newest), dtype=bool)
    told = ~np.isnan(tables.column("readings", "soc_pct")) | ~np.isnan(tables.column("readings", "spread_v"))
    figures[of[told & (of >= 0)]] = True
    words = tables.words("readings", "code_state")
    rows = np.flatnonzero((of >= 0) & np.isin(words.astype(str), LOOKED))
    rows = rows[day[rows] >= np.nan_to_num(newest.day, nan=-np.inf)[of[rows]]]
    rows = rows[np.argsort(day[rows], kind="stable")]  # in order of time, so the last one wins
    for some in (rows, rows[words[rows] == "confirmed"]):
        state[of[some]] = words[some]
        code[of[some]] = tables.words("readings", "code")[some]
    resistances = np.full(len(newest), None, dtype=object)
    lists = tables.words("readings", "resistance_mohm")
    rows = np.flatnonzero((of >= 0) & ~pd.isna(lists))
    rows = rows[np.argsort(day[rows], kind="stable")]
    resistances[of[rows]] = lists[rows]
    return code, state, figures, resistances


def spread_contradicted(newest: NewestTopUps) -> dict[int, Flag]:
    """Name the packs whose controller told a spread that brings the fault while the blocks read no such, by place.

    In one reading, the newest such since the charge, in which all blocks were read. What brings the fault is the
    family's own limit of the state it was read in.
    """
    tables = newest.tables
    of, day, volts = newest.owner("readings"), tables.days("readings"), tables.volts()
    spread, states = tables.column("readings", "spread_v"), tables.words("readings", "state")
    rows = np.flatnonzero((of >= 0) & ~np.isnan(spread))
    rows = rows[day[rows] >= np.nan_to_num(newest.day, nan=-np.inf)[of[rows]]]
    found: dict[int, Flag] = {}
    for row in rows[np.argsort(day[rows], kind="stable")].tolist():
        place = int(of[row])
        family = tables.families[newest.family[place]]
        read, limit = volts[row, : family.blocks], limit_v(family, str(states[row]))
        if np.isnan(read).any():
            continue
        apart = float(read.max() - read.min())
        found.pop(place, None)
        if apart < limit <= spread[row]:
            text = say(
                "The controller told a spread of %(told)s V on %(day)s, and the blocks of that reading lie %(apart)s V "
                "apart; %(limit)s V brings the fault. One of the two is wrong: read all blocks again, and look at the "
                "controller's sense leads.",
                told=f"{spread[row]:.2f}",
                day=date_of(float(day[row])),
                apart=f"{apart:.2f}",
                limit=f"{limit:g}",
            )
            found[place] = Flag("spread-contradicted", text)
    return found


def flags_of_controller(code: object, state: object, figures: bool, resistances: object) -> list[Flag]:
    """Say what the controller told of one pack.

    A pending code is confirmed in the next driving cycle in which the monitor runs (13 CCR 1968.2(d)(2.2.1)); a
    permanent one stays until it ran without a fault (SAE J1979, $0A; from memory, unverified).
    """
    flags = [_NOT_USED] if figures else []
    flags += _of_resistances(list_of(resistances))
    if state == "pending":
        text = say(
            "%(code)s is pending: the car has noticed it once since the charge, and the next trip in which the monitor "
            "runs can confirm it. Look into it before going by any day.",
            code=code,
        )
        return [Flag("code-pending", text, grave=True), *flags]
    if state == "confirmed":
        text = say(
            "%(code)s was confirmed again after the charge: if it is the fault that the charge was for, it is back. "
            "Record that as an outcome.",
            code=code,
        )
        return [Flag("code-confirmed", text, grave=True), *flags]
    if state == "permanent":
        text = say(
            "%(code)s is stored as permanent. It stays until the monitor has run without a fault, so it says nothing "
            "of this charge; no figure rests on it.",
            code=code,
        )
        return [*flags, Flag("code-permanent", text)]
    return flags


def _of_resistances(told: object) -> list[Flag]:
    if not isinstance(told, tuple) or not any(value is not None for value in told):
        return []
    known = [(value, block) for block, value in enumerate(told, start=1) if value is not None]
    most, block = max(known)
    middle = float(np.median([value for value, _ in known]))
    text = say(
        "Of the resistances told, block %(block)s has the highest: %(most)s mΩ; half of the blocks have %(middle)s or "
        "less. No figure rests on them: the model goes by the volts under load. A charge lowers no resistance.",
        block=block,
        most=f"{most:.3g}",
        middle=f"{middle:.3g}",
    )
    flags = [Flag("resistance-not-used", text)]
    if most > WORN_TIMES * middle:
        far = say(
            "The resistance told of block %(block)s, %(most)s mΩ, is %(times)s times the middle one; cells at the end "
            "of their life have %(worn)s times that of new ones. A joint that is bad and gets hot, a dried-out cell, "
            "or a slip reads so: look at its bus bars and sense leads, and measure it again.",
            block=block,
            most=f"{most:.3g}",
            times=f"{most / middle:.1f}",
            worn=f"{WORN_TIMES:g}",
        )
        flags.append(Flag("resistance-high", far))
    return flags
