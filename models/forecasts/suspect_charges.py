"""Which of many charges may have harmed cells or gone elsewhere, by columns alone.

Whoever weighs a charge as it was then (`models.forecasts.earlier_charges`) lays out a forecast of that moment. So
columns first tell the charges of which none of its warnings can be true. Those that are named here may be sound.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Final

import numpy as np

from models.base.arrays import Bools, Floats, Rows
from models.forecasts.charge_flags import FAST_CHARGE_PER_H, MUCH_CHARGE_SHARE
from models.forecasts.newest_topups import NewestTopUps
from models.forecasts.not_risen import rises
from models.forecasts.noted import LEVEL_MV_PER_CELL
from models.packs.contradictions import WARMEST_C
from models.packs.stops.charging import COLDEST_C
from models.packs.stops.known import VISIT
from models.packs.tables import SECONDS_PER_DAY
from models.physics.imbalance import deviation_v, missing_charge_share

SLACK: Final = 1e-9
"""Share, rate or days by which a column is wider than the check: rounding must let nothing through."""


def may_warn(newest: NewestTopUps, rows: Rows, until: Floats) -> Bools:
    """Tell which charges may be warned of by `models.forecasts.charge_flags.flags_of_charges`, shape (k,).

    Nothing is said of what `models.forecasts.standing` finds, nor of voltages that contradict one another.

    Parameters
    ----------
    rows : int array, shape (k,)
        Top-ups of these packs.
    until : array, shape (k,)
        Day up to which facts are known, before the next charge of the pack.
    """
    if not len(rows):
        return np.zeros(0, dtype=np.bool_)
    families = newest.tables.families
    names, which = np.unique(newest.family[newest.owner("topups")[rows]], return_inverse=True)
    rated = np.array([families[name].rated_ah for name in names])[which]
    charge = newest.tables.column("topups", "charge_ah")[rows]
    fast = charge / newest.tables.column("topups", "duration_h")[rows] / rated > FAST_CHARGE_PER_H - SLACK
    found = fast | _hot_or_cold(newest, rows) | _charged_again(newest, rows)
    found |= _more_than_missing(newest, rows, names.tolist(), which)
    told = rises(newest, rows, np.arange(len(rows)), until, 1e-3 * LEVEL_MV_PER_CELL)
    if told is not None:
        found |= np.isin(rows, told.rows[told.failed.any(axis=1)])
    return np.asarray(found)


def _hot_or_cold(newest: NewestTopUps, rows: Rows) -> Bools:
    """Whether the pack of each charge was ever read so warm, or in the frost."""
    reader, read_c = newest.owner("readings"), newest.tables.column("readings", "temperature_c")
    found = np.zeros(len(newest) + 1, dtype=np.bool_)
    found[reader[(read_c > WARMEST_C) | (read_c < COLDEST_C)]] = True
    found[-1] = False
    return np.asarray(found[newest.owner("topups")[rows]])


def _charged_again(newest: NewestTopUps, rows: Rows) -> Bools:
    """Whether a charge lies within a visit after another of its pack, or at the same moment."""
    owner, day = newest.owner("topups"), newest.tables.days("topups")
    every = np.lexsort((day, owner))
    apart = np.where(np.diff(owner[every]) == 0, np.diff(day[every]), np.inf)
    found = np.zeros(len(day), dtype=np.bool_)
    found[every[1:][apart <= VISIT / timedelta(days=1) + SLACK]] = True
    found[every[:-1][apart <= SLACK]] = True
    return np.asarray(found[rows])


def _more_than_missing(newest: NewestTopUps, rows: Rows, names: list[str], which: Rows) -> Bools:
    """Whether more went in than the least that any reading at rest since the charge before may say was missing.

    Which of them counts hangs on what else was read; what none says, nobody takes to be more than empties the block.
    """
    tables = newest.tables
    owner, reader = newest.owner("topups"), newest.owner("readings")
    key, read_key = (
        code * 2**40 + np.round(tables.days(name) * SECONDS_PER_DAY).astype(np.int64)
        for code, name in ((owner, "topups"), (reader, "readings"))
    )
    every = np.argsort(key, kind="stable")
    rests = np.flatnonzero((reader >= 0) & (tables.words("readings", "state") == "rest"))
    # The next charge of the pack after each reading.
    place = np.searchsorted(key[every], read_key[rests], side="right")
    following = every[np.minimum(place, len(every) - 1)]
    own = (place < len(every)) & (owner[following] == reader[rests])
    rests, following = rests[own], following[own]
    above = np.full(len(owner), -np.inf)
    if len(rests):
        off = deviation_v(tables.volts()[rests])
        np.fmax.at(above, following, off[np.arange(len(rests)), tables.first_blocks()[following]])
    most = np.zeros(len(rows))
    for number, name in enumerate(names):
        family, some = tables.families[name], which == number
        off = above[rows[some]]
        read = np.isfinite(off)
        least = np.full(len(off), family.soc_target)
        least[read] = np.minimum(missing_charge_share(family, off[read]), family.soc_target)
        share = tables.column("topups", "charge_ah")[rows[some]] * family.coulombic_efficiency / family.rated_ah
        most[some] = share - least
    return np.asarray(most > MUCH_CHARGE_SHARE - SLACK)
