"""Volts since the newest charge that speak against the load, the rest or the state of charge noted with them.

All of them are plain: each has several causes, and none by itself tells of harm.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from models.base.arrays import Floats, Rows
from models.base.messages import say
from models.base.percents import level_percent, percent
from models.forecasts.forecast import Flag
from models.forecasts.newest_topups import NewestTopUps
from models.packs.contradictions import FLOWING_C
from models.packs.family import PackFamily
from models.packs.stops.known import VISIT
from models.packs.tables import date_of

METER_MV_PER_CELL: Final = 4.0
"""Two readings of a block that lie no further apart tell the same. Twice a fair meter's error on 12 cells. Invented."""

_VISIT_DAYS: Final = VISIT.total_seconds() / 86_400


def volts_against(newest: NewestTopUps) -> list[tuple[int, Flag]]:
    """Name what contradicts itself, or the limit in use, in the readings since the newest charge, by place."""
    return [
        *pack_low_under_load(newest).items(),
        *not_sunk_under_load(newest).items(),
        *charge_state_contradicted(newest).items(),
    ]


def pack_low_under_load(newest: NewestTopUps) -> dict[int, Flag]:
    """Name packs of which, by the newest reading under load, most blocks are below the family's floor in use.

    One block below it by more than the load takes is told apart (`models.forecasts.standing`).
    """
    found: dict[int, Flag] = {}
    tables, of = newest.tables, newest.owner("readings")
    rows = _newest_of(newest, _rows(newest, "discharge"))
    if not len(rows):
        return found
    middles = np.nanmedian(tables.volts()[rows], axis=1)
    floors = _of_family(newest, lambda family: family.cells_per_block * family.min_cell_v)[of[rows]]
    for at in np.flatnonzero(middles < floors).tolist():
        text = say(
            "Under load on %(day)s half of the blocks read %(middle)s V or less, below the floor in use of %(floor)s "
            "V: the whole pack is empty, cold or worn, or the load was higher than noted. Let the vehicle charge "
            "it, and read it again.",
            day=date_of(float(tables.days("readings")[rows[at]])),
            middle=f"{middles[at]:.2f}",
            floor=f"{floors[at]:g}",
        )
        found[int(of[rows[at]])] = Flag("pack-low-under-load", text)
    return found


def not_sunk_under_load(newest: NewestTopUps) -> dict[int, Flag]:
    """Name a block that read higher while current flowed out than at rest at the same visit.

    No block stands above its open-circuit voltage while it gives current: the reading is of another block, of another
    state, or a sense lead is bad. Derived. Asked of blocks while half of the others sank, so that a whole reading that
    is called by the wrong state is left to those that tell of it.
    """
    found: dict[int, Flag] = {}
    tables, of = newest.tables, newest.owner("readings")
    volts, day, amps = tables.volts(), tables.days("readings"), np.nan_to_num(tables.column("readings", "current_a"))
    loads, rests = (_newest_of(newest, _rows(newest, state)) for state in ("discharge", "rest"))
    rest_of = np.full(len(newest), -1)
    rest_of[of[rests]] = rests
    loads = loads[rest_of[of[loads]] >= 0]
    rests = rest_of[of[loads]]
    least_a = _of_family(newest, lambda family: FLOWING_C * family.rated_ah)[of[loads]]
    compare = (np.abs(day[loads] - day[rests]) <= _VISIT_DAYS) & (amps[loads] >= least_a)
    compare &= np.abs(amps[rests]) < least_a
    loads, rests = loads[compare], rests[compare]
    above = volts[loads] - volts[rests]
    both = np.isfinite(above).any(axis=1)
    loads, rests, above = loads[both], rests[both], above[both]
    if not len(loads):
        return found
    error_v = _of_family(newest, lambda family: 1e-3 * METER_MV_PER_CELL * family.cells_per_block)[of[loads]]
    for at in np.flatnonzero((np.nanmax(above, axis=1) > error_v) & (np.nanmedian(above, axis=1) < 0)).tolist():
        block = int(np.nanargmax(above[at]))
        text = say(
            "Under load on %(day)s block %(block)s read %(load)s V, above the %(rest)s V that it rested at, while "
            "the others sank: no block rises while current flows out. Check the numbering of the blocks and its "
            "sense lead, and read all blocks again.",
            day=date_of(float(day[loads[at]])),
            block=block + 1,
            load=f"{volts[loads[at], block]:.2f}",
            rest=f"{volts[rests[at], block]:.2f}",
        )
        found[int(of[loads[at]])] = Flag("block-not-sunk", text)
    return found


def charge_state_contradicted(newest: NewestTopUps) -> dict[int, Flag]:
    """Name packs whose controller tells a state of charge at which their blocks do not rest.

    Between the two branches of the hysteresis about the family's curve (models' families, from NREL ADVISOR data files)
    lie the states of charge that a rest voltage allows. Of nickel-metal hydride alone: a lithium-ion curve is steep,
    and how far it lies off that of its family is not known.
    """
    found: dict[int, Flag] = {}
    tables, of = newest.tables, newest.owner("readings")
    told = tables.column("readings", "soc_pct")
    rows = _rows(newest, "rest")
    for row in _newest_of(newest, rows[~np.isnan(told[rows])]).tolist():
        place, middle = int(of[row]), float(np.nanmedian(tables.volts()[row]))
        family = newest.tables.families[newest.family[place]]
        if family.chemistry != "nimh":
            continue
        low, high = rest_allows(family, middle)
        if not low <= told[row] / 100 <= high:
            text = say(
                "The controller told a state of charge of %(told)s on %(day)s, and the blocks rested as they do "
                "between %(low)s and %(high)s. One of the two is wrong: read the blocks again. A controller that "
                "has lost count charges or empties the pack too far.",
                told=level_percent(told[row] / 100),
                day=date_of(float(tables.days("readings")[row])),
                low=percent(low),
                high=percent(high),
            )
            found[place] = Flag("charge-state-contradicted", text)
    return found


def rest_allows(family: PackFamily, block_v: float) -> tuple[float, float]:
    """Return between which states of charge a block may rest at a voltage, on either branch of its hysteresis.

    One of ten cells that rests at 12.88 V, with 40 mV of hysteresis above and 50 mV below, may have anything from where
    the curve is at 1.248 V a cell to where it is at 1.338 V.
    """
    cell_v, curve = block_v / family.cells_per_block, family.curves
    least = np.interp(cell_v - family.hysteresis_charge_v, curve.ocv_v, curve.soc)
    most = np.interp(cell_v + family.hysteresis_discharge_v, curve.ocv_v, curve.soc)
    return float(least), float(most)


def _rows(newest: NewestTopUps, state: str) -> Rows:
    """Return the readings of a state since each pack's newest charge of which any volts are known, in order of time."""
    tables, of, day = newest.tables, newest.owner("readings"), newest.tables.days("readings")
    rows = np.flatnonzero((of >= 0) & np.asarray(tables.words("readings", "state") == state, dtype=np.bool_))
    rows = rows[day[rows] >= np.nan_to_num(newest.day, nan=-np.inf)[of[rows]]]
    if not tables.volts()[rows].size:
        return rows[:0]
    rows = rows[np.isfinite(tables.volts()[rows]).any(axis=1)]
    return np.asarray(rows[np.argsort(day[rows], kind="stable")])


def _newest_of(newest: NewestTopUps, rows: Rows) -> Rows:
    """Return of some readings in order of time the last one of each pack."""
    last = np.full(len(newest), -1)
    last[newest.owner("readings")[rows]] = rows
    return np.asarray(last[last >= 0])


def _of_family(newest: NewestTopUps, get: Callable[[PackFamily], float]) -> Floats:
    """Return a figure of each pack's family, shape (n,)."""
    names, which = np.unique(newest.family, return_inverse=True)
    return np.array([get(newest.tables.families[name]) for name in names], dtype=np.float64)[which]
