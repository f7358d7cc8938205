"""Blocks of many packs that are noted as charged at the newest visit and stand no higher for it."""

from __future__ import annotations

from datetime import timedelta
from typing import Final, NamedTuple

import numpy as np

from models.base.arrays import Floats, Rows
from models.forecasts.newest_topups import NewestTopUps
from models.packs.family import PackFamily
from models.packs.stops.known import BEFORE_DRIVING, LOOK_AFTER, VISIT

NO_RISE_SHARE: Final = 0.3
"""A rise under this share of the least expected is no rise to speak of. Our choice."""

_DAY: Final = timedelta(days=1)


class NotRisen(NamedTuple):
    """A block, from 1, and by how much it rose against the others over its charge, V: as read, and as due at least."""

    block: int
    rise_v: float
    least_v: float


def _least_v_per_ah(family: PackFamily) -> float:
    """Return by how much a charge lifts a block at least, V/Ah: where its curve is flattest in the controller's window.

    What hysteresis lifts it besides is not counted: it decays.
    """
    soc = np.linspace(family.soc_low, family.soc_high, 61)
    slope = np.diff(np.interp(soc, family.curves.soc, family.curves.ocv_v)).min() / (soc[1] - soc[0])
    return float(family.cells_per_block * slope / family.rated_ah)


def not_risen(newest: NewestTopUps, error_v_per_cell: float) -> dict[int, list[NotRisen]]:
    """Find the blocks charged at the visit of the newest top-up that did not rise over their charge.

    Parameters
    ----------
    error_v_per_cell : float
        A charge that lifts a block by less than this cannot be seen.

    Returns
    -------
    dict of int to list of NotRisen
        By place among the packs. None of a block that was not read at rest on both sides of its charge, of which a
        module was swapped since, or of a pack that somebody looked over since.
    """
    tables = newest.tables
    charge, end = tables.column("topups", "charge_ah"), tables.days("topups")
    owner, reader, day = newest.owner("topups"), newest.owner("readings"), tables.days("readings")
    visit = newest.day - VISIT / _DAY
    looked = np.flatnonzero((reader >= 0) & newest.looked)
    seen = np.full(len(newest), -np.inf)
    np.maximum.at(seen, reader[looked], day[looked] - LOOK_AFTER / _DAY)
    rows = np.flatnonzero((owner >= 0) & ~np.isnan(charge) & (end >= np.append(visit, np.nan)[owner]))
    rows = rows[end[rows] > seen[owner[rows]]]
    rests = np.flatnonzero((reader >= 0) & (tables.words("readings", "state") == "rest"))
    rests = rests[np.lexsort((day[rests], reader[rests]))]
    if not len(rows) or not len(rests):
        return {}

    # One number orders the readings of all packs by pack and time.
    span = float(max(day[rests].max(), end[rows].max()) - min(day[rests].min(), end[rows].min())) + 30.0
    key = reader[rests] * span + day[rests]

    def last_by(when: Floats) -> Rows:
        return np.asarray(rests[np.searchsorted(key, owner[rows] * span + when, side="right") - 1])

    start = end[rows] - np.nan_to_num(tables.column("topups", "duration_h")[rows]) / 24
    before, after = last_by(start), last_by(end[rows] + BEFORE_DRIVING / _DAY)
    both = (reader[before] == owner[rows]) & (day[before] <= start) & (day[before] >= start - VISIT / _DAY)
    both &= (reader[after] == owner[rows]) & (day[after] >= end[rows])
    rows, before, after = rows[both], before[both], after[both]
    volts = tables.volts()[after] - tables.volts()[before]
    charged = tables.topped()[rows, : volts.shape[1]]
    of_visit = np.zeros((len(newest), volts.shape[1]), dtype=np.bool_)
    np.logical_or.at(of_visit, owner[rows], charged)
    others = np.where(of_visit[owner[rows]], np.nan, volts)
    some = ~np.isnan(others).all(axis=1)
    rise = np.full(volts.shape, np.nan)
    rise[some] = volts[some] - np.nanmedian(others[some], axis=1)[:, None]
    names, which = np.unique(newest.family[owner[rows]], return_inverse=True)
    families = [tables.families[name] for name in names]
    least = np.array([_least_v_per_ah(family) for family in families])[which] * charge[rows]
    error = error_v_per_cell * np.array([family.cells_per_block for family in families])[which]
    found: dict[int, list[NotRisen]] = {}
    for at, block in np.argwhere(charged & (rise < NO_RISE_SHARE * least[:, None]) & (least >= error)[:, None]):
        if newest.swapped(int(owner[rows[at]]), int(block), float(end[rows[at]])):
            continue
        told = NotRisen(int(block) + 1, float(rise[at, block]), float(least[at]))
        found.setdefault(int(owner[rows[at]]), []).append(told)
    return found
