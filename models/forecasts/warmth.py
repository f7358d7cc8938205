"""How warm a pack was read since the visit of its newest charge, and whether in the frost around it; until a look."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from models.base.arrays import Bools, Floats
from models.forecasts.newest_topups import NewestTopUps
from models.packs.stops.charging import AROUND_CHARGE, COLDEST_C, GENTLE_CHARGE_PER_H, SOAKED
from models.packs.stops.known import LOOK_AFTER, VISIT


def warmth_read(newest: NewestTopUps) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the newest temperature read at rest and in any state, and the highest that nobody has looked at since.

    Returns
    -------
    rest_c, last_c, warmest_c : array, shape (n,)
        °C; NaN where none was read.
    early_h : array, shape (n,)
        Hours from when it was warmest to the newest look, where one came after it and is too early to count; else NaN.
    """
    tables = newest.tables
    of, day, read_c = newest.owner("readings"), tables.days("readings"), tables.column("readings", "temperature_c")
    rested, last, warmest = (np.full(len(newest), np.nan) for _ in range(3))
    rows = np.flatnonzero((of >= 0) & ~np.isnan(read_c))
    rows = rows[np.argsort(day[rows], kind="stable")]
    last[of[rows]] = read_c[rows]
    rests = rows[tables.words("readings", "state")[rows] == "rest"]
    rested[of[rests]] = read_c[rests]
    since = np.nan_to_num(newest.day - VISIT / timedelta(days=1), nan=-np.inf)
    looked = np.flatnonzero(newest.looked & (of >= 0))
    np.maximum.at(since, of[looked], day[looked] - LOOK_AFTER / timedelta(days=1))
    rows = rows[day[rows] >= since[of[rows]]]
    rows = rows[np.argsort(read_c[rows], kind="stable")]
    warmest[of[rows]] = read_c[rows]
    when, look = np.full(len(newest), np.nan), np.full(len(newest), np.nan)
    when[of[rows]] = day[rows]
    look[of[looked]] = day[looked]
    early_h = 24 * (look - when)
    return rested, last, warmest, np.where(early_h > 0, early_h, np.nan)


def frost_near_charge(newest: NewestTopUps) -> tuple[Floats, Bools]:
    """Return what was read below 0 °C nearest to a newest charge at which, and in the day before, nobody read it.

    In the four days before it or within a day after it.

    Returns
    -------
    frost_c : array, shape (n,)
        °C; NaN where the temperature of the charge is known (`models.packs.stops.charging`), nothing so cold was read
        near it, or somebody has looked the pack over since.
    unread : bool array, shape (n,)
        Whether there is a charge of which neither is known: how warm the pack was, nor that somebody looked since.
    """
    tables, end = newest.tables, newest.day
    of, day, read_c = newest.owner("readings"), tables.days("readings"), tables.column("readings", "temperature_c")
    rated_ah = np.array([tables.families[name].rated_ah for name in newest.family])
    noted_h, charge_ah = newest.of("duration_h"), newest.of("charge_ah")
    hours = np.where(np.isnan(noted_h), np.nan_to_num(charge_ah) / (GENTLE_CHARGE_PER_H * rated_ah), noted_h)
    soaked, around, visit, look_after = (
        span / timedelta(days=1) for span in (SOAKED, AROUND_CHARGE, VISIT, LOOK_AFTER)
    )
    rows = np.flatnonzero((of >= 0) & ~np.isnan(read_c))
    since, ago = day[rows] - end[of[rows]], end[of[rows]] - hours[of[rows]] / 24 - day[rows]
    known = np.zeros(len(newest), dtype=np.bool_)
    known[of[rows[(ago <= soaked) & (since <= around)]]] = True
    looked = np.flatnonzero((of >= 0) & newest.looked)
    known[of[looked[day[looked] >= end[of[looked]] + look_after]]] = True
    near = (ago <= visit) & (since <= soaked) & (read_c[rows] < COLDEST_C)
    frost = np.full(len(newest), np.nan)
    rows, distance = rows[near], np.maximum(since, ago)[near]
    rows = rows[np.argsort(-distance, kind="stable")]
    frost[of[rows]] = read_c[rows]
    return np.where(known, np.nan, frost), ~known & ~np.isnan(end)
