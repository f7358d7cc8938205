"""Voltages around the newest charge of many packs, side by side: as noted with it, and as read before and after."""

from __future__ import annotations

import numpy as np

from models.base.arrays import Floats
from models.forecasts.newest_topups import NewestTopUps
from models.packs.contradictions import WITHIN_S
from models.packs.stops.known import BEFORE_DRIVING
from models.packs.tables import SECONDS_PER_DAY


def after_charge(newest: NewestTopUps) -> tuple[Floats, Floats, Floats, Floats]:
    """Read what `models.forecasts.noted.Noted` holds of the voltages after the newest charge.

    Returns
    -------
    end_v, after_v, read_after_v, after_apart_v : array, shape (n,)
    """
    read_v, read_day = _first_read(newest)
    hours = newest.of("rest_after_h")
    together = np.isnan(hours) | (np.abs(read_day - newest.day - hours / 24) * SECONDS_PER_DAY <= WITHIN_S)
    return newest.of("end_v"), newest.of("rest_after_v"), read_v, np.where(together, _fall_v(newest), np.nan)


def before_charge(newest: NewestTopUps) -> tuple[Floats, Floats, Floats]:
    """Read what `models.forecasts.noted.Noted` holds of the voltages before the newest charge.

    Returns
    -------
    before_v, read_before_v, before_apart_v : array, shape (n,)
    """
    read_v, read_day = _first_read(newest, before=True)
    began = newest.day - np.nan_to_num(newest.of("duration_h")) / 24
    of, day = newest.owner("topups"), newest.tables.days("topups")
    earlier = (of >= 0) & (np.arange(len(of)) != np.append(newest.rows, -1)[of])
    charged = np.full(len(newest), -np.inf)
    charged[of[earlier]] = day[earlier]
    apart = (began - read_day) * SECONDS_PER_DAY
    together = (apart >= 0) & (apart <= WITHIN_S) & (read_day > charged)
    return newest.of("rest_before_v"), read_v, np.where(together, _fall_v(newest), np.nan)


def _first_read(newest: NewestTopUps, *, before: bool = False) -> tuple[Floats, Floats]:
    """Return the volts of the block at rest nearest to its charge, on one side, within a day and a half; and when."""
    tables = newest.tables
    read_v, read_day = np.full(len(newest), np.nan), np.full(len(newest), np.nan)
    volts = tables.volts()
    if not volts.size:
        return read_v, read_day
    block = np.append(tables.first_blocks(), -1)[newest.rows]
    of = newest.owner("readings")
    day = tables.days("readings")
    since = day - np.append(newest.day, np.nan)[of]
    side = since < 0 if before else since >= 0
    soon = side & (np.abs(since) * SECONDS_PER_DAY <= BEFORE_DRIVING.total_seconds())
    rows = np.flatnonzero(soon & (tables.words("readings", "state") == "rest"))
    rows = rows[(block[of[rows]] >= 0) & (block[of[rows]] < volts.shape[1])]
    volts = volts[rows, block[of[rows]]]
    rows, volts = rows[~np.isnan(volts)], volts[~np.isnan(volts)]
    nearest_last = np.argsort(day[rows] if before else -day[rows], kind="stable")
    read_v[of[rows[nearest_last]]], read_day[of[rows[nearest_last]]] = volts[nearest_last], day[rows[nearest_last]]
    return read_v, read_day


def _fall_v(newest: NewestTopUps) -> Floats:
    """Return what a block of each family falls as its hysteresis decays, V."""
    families = (newest.tables.families[name] for name in newest.family)
    return np.array([f.cells_per_block * f.hysteresis_charge_v for f in families])
