"""Blocks of many packs that are noted as charged at the newest visit and stand no higher for it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final, NamedTuple

import numpy as np

from models.base.arrays import Bools, Floats, Rows
from models.forecasts.newest_topups import NewestTopUps
from models.packs.family import PackFamily
from models.packs.stops.known import BEFORE_DRIVING, VISIT
from models.physics.imbalance import pack_median_v

NOT_RISEN: Final = "block-not-risen"
"""Flag of a block that is noted as charged and stands no higher for it."""

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


@dataclass(frozen=True)
class Rises:
    """What k charges that were read at rest on both sides did to the blocks of their packs.

    Attributes
    ----------
    rows : int array, shape (k,)
        Of the top-ups.
    rise_v : array, shape (k, blocks)
        Of each block against those that none of the charges of its visit names, V.
    least_v : array, shape (k,)
        By how much the charge lifts a block at least, V.
    failed : bool array, shape (k, blocks)
        The block was charged and did not rise.
    """

    rows: Rows
    rise_v: Floats
    least_v: Floats
    failed: Bools


def rises(newest: NewestTopUps, rows: Rows, visit: Rows, until: Floats, error_v_per_cell: float) -> Rises | None:
    """Compare the readings at rest around some charges.

    Parameters
    ----------
    rows : int array, shape (m,)
        Top-ups of these packs.
    visit : int array, shape (m,)
        The visit that each is of, from 0.
    until : array, shape (m,)
        Day up to which readings count.
    error_v_per_cell : float
        A charge that lifts a block by less than this cannot be seen.

    Returns
    -------
    Rises or None
        None without a reading at rest.
    """
    tables = newest.tables
    charge, end = tables.column("topups", "charge_ah"), tables.days("topups")
    owner, reader, day = newest.owner("topups"), newest.owner("readings"), tables.days("readings")
    rests = np.flatnonzero((reader >= 0) & (tables.words("readings", "state") == "rest"))
    if not len(rows) or not len(rests):
        return None
    rests = rests[np.lexsort((day[rests], reader[rests]))]

    # One number orders the readings of all packs by pack and time.
    span = float(max(day[rests].max(), end[rows].max()) - min(day[rests].min(), end[rows].min())) + 30.0
    key = reader[rests] * span + day[rests]

    def last_by(when: Floats) -> Rows:
        return np.asarray(rests[np.searchsorted(key, owner[rows] * span + when, side="right") - 1])

    start = end[rows] - np.nan_to_num(tables.column("topups", "duration_h")[rows]) / 24
    before, after = last_by(start), last_by(np.minimum(end[rows] + BEFORE_DRIVING / _DAY, until))
    both = (reader[before] == owner[rows]) & (day[before] <= start) & (day[before] >= start - VISIT / _DAY)
    both &= (reader[after] == owner[rows]) & (day[after] >= end[rows])
    rows, visit, before, after = rows[both], visit[both], before[both], after[both]
    moved = tables.volts()[after] - tables.volts()[before]
    charged = tables.topped()[rows, : moved.shape[1]]
    of_visit = np.zeros((int(visit.max(initial=-1)) + 1, moved.shape[1]), dtype=np.bool_)
    np.logical_or.at(of_visit, visit, charged)
    others = np.where(of_visit[visit], np.nan, moved)
    rise = moved - pack_median_v(others)[:, None]
    names, which = np.unique(newest.family[owner[rows]], return_inverse=True)
    families = [tables.families[name] for name in names]
    least = np.array([_least_v_per_ah(family) for family in families])[which] * charge[rows]
    error = error_v_per_cell * np.array([family.cells_per_block for family in families])[which]
    failed = charged & (rise < NO_RISE_SHARE * least[:, None]) & (least >= error)[:, None]
    return Rises(rows, rise, least, failed)


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
        module was swapped since, or of a pack whose cells were measured since.
    """
    tables = newest.tables
    charge, end = tables.column("topups", "charge_ah"), tables.days("topups")
    owner = newest.owner("topups")
    visit = newest.day - VISIT / _DAY
    rows = np.flatnonzero((owner >= 0) & ~np.isnan(charge) & (end >= np.append(visit, np.nan)[owner]))
    rows = rows[end[rows] > newest.done_by(NOT_RISEN)[owner[rows]]]
    told = rises(newest, rows, owner[rows], np.full(len(rows), np.inf), error_v_per_cell)
    if told is None:
        return {}
    found: dict[int, list[NotRisen]] = {}
    for at, block in np.argwhere(told.failed).tolist():
        row = int(told.rows[at])
        if not newest.swapped(int(owner[row]), block, float(end[row])):
            flat = NotRisen(block + 1, float(told.rise_v[at, block]), float(told.least_v[at]))
            found.setdefault(int(owner[row]), []).append(flat)
    return found
