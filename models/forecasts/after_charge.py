"""Voltages around the newest charge of many packs, side by side: what was noted with it, and what was read after."""

from __future__ import annotations

import numpy as np

from models.base.arrays import Floats
from models.forecasts.newest_topups import NewestTopUps
from models.packs.contradictions import WITHIN_S
from models.packs.stops.known import BEFORE_DRIVING
from models.packs.tables import SECONDS_PER_DAY


def after_charge(newest: NewestTopUps) -> tuple[Floats, Floats, Floats, Floats]:
    """Read what `models.forecasts.flags.Noted` holds of the voltages after the newest charge.

    Returns
    -------
    end_v, after_v, read_after_v, after_apart_v : array, shape (n,)
    """
    tables, end_day = newest.tables, newest.day
    read_v, read_day = np.full(len(newest), np.nan), np.full(len(newest), np.nan)
    volts = tables.volts()
    if volts.size:
        block = np.append(tables.first_blocks(), -1)[newest.rows]
        of = newest.owner("readings")
        day = tables.days("readings")
        since = day - np.append(end_day, np.nan)[of]
        soon = (since >= 0) & (since * SECONDS_PER_DAY <= BEFORE_DRIVING.total_seconds())
        rows = np.flatnonzero(soon & (tables.words("readings", "state") == "rest"))
        rows = rows[(block[of[rows]] >= 0) & (block[of[rows]] < volts.shape[1])]
        volts = volts[rows, block[of[rows]]]
        rows, volts = rows[~np.isnan(volts)], volts[~np.isnan(volts)]
        last_first = np.argsort(-day[rows], kind="stable")
        read_v[of[rows[last_first]]], read_day[of[rows[last_first]]] = volts[last_first], day[rows[last_first]]
    hours = newest.of("rest_after_h")
    together = np.isnan(hours) | (np.abs(read_day - end_day - hours / 24) * SECONDS_PER_DAY <= WITHIN_S)
    fall_v = np.array(
        [f.cells_per_block * f.hysteresis_charge_v for f in (tables.families[name] for name in newest.family)]
    )
    return newest.of("end_v"), newest.of("rest_after_v"), read_v, np.where(together, fall_v, np.nan)
