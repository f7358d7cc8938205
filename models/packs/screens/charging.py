"""Packs to which a charge may have done harm: too cold, too hot, too high, too much, into the wrong block."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from models.base.arrays import Bools, Floats, Rows
from models.packs.screens.look import KEY_DAYS, SLACK, InOrder, Look
from models.packs.stops.charging import (
    AROUND_CHARGE,
    BAD_SHARE,
    COLDEST_C,
    GENTLE_CHARGE_PER_H,
    HOTTEST_C,
    SOAKED,
    most_charged_v,
    most_drawn_v,
)
from models.packs.stops.known import VISIT, others_v
from models.packs.stops.overfilled import LATER_SHARE_PER_DAY
from models.packs.tables import (
    SECONDS_PER_DAY,
)


def charged_cold(look: Look) -> Bools:
    """Find packs read in the frost at some charge, or in the day before one at which nobody read them."""
    cold = look.number("temperature_c") < COLDEST_C
    found = _read_around(look, look.open_charges("charged-cold"), cold)
    return look.any_of(
        found.charged, found.some | (found.maybe_none & np.append(cold, False)[found.last_before] & found.soaked)
    )


def charged_hot(look: Look) -> Bools:
    """Find packs read too hot at some charge."""
    found = _read_around(look, look.open_charges("charged-hot"), look.number("temperature_c") > HOTTEST_C)
    return look.any_of(found.charged, found.some)


class _ReadAround(NamedTuple):
    """What was read of the temperature of packs, of each of some charges.

    Attributes
    ----------
    charged : int array
        Pack of the charge.
    some : bool array
        Whether a reading of those asked for may be one of the charge itself.
    maybe_none : bool array
        Whether none may be.
    last_before : int array
        Then the last reading before, −1 where there is none.
    soaked : bool array
        Whether that one may count.
    """

    charged: Rows
    some: Bools
    maybe_none: Bools
    last_before: Rows
    soaked: Bools


def _read_around(look: Look, charges: Rows, asked: Bools) -> _ReadAround:
    read = InOrder.of(~np.isnan(look.number("temperature_c")), look.reading_pack, look.reading_day)
    around, soaked = (span.total_seconds() / SECONDS_PER_DAY for span in (AROUND_CHARGE, SOAKED))
    pack, begun, ended = look.topup_pack[charges], look.begun(charges, GENTLE_CHARGE_PER_H), look.topup_day[charges]
    widest = read.place(pack, begun - around - KEY_DAYS), read.place(pack, ended + around + KEY_DAYS)
    least = read.place(pack, begun - around + KEY_DAYS), read.place(pack, ended + around - KEY_DAYS)
    count = np.append(0, np.cumsum(asked[read.rows]))
    last, _ = read.around(pack, begun - around + KEY_DAYS)
    near = (last >= 0) & (np.append(look.reading_day, np.nan)[last] >= begun - soaked - KEY_DAYS)
    return _ReadAround(pack, count[widest[1]] > count[widest[0]], least[1] <= least[0], last, near)


def over_voltage(look: Look) -> Bools:
    """Find packs with a block above what its cells can stand at, by state and current, or charged past that."""
    most = look.of_topup(lambda f: f.cells_per_block * f.max_cell_v)
    charged = look.any_of(look.topup_pack, look.charge("end_v") > most - SLACK)
    most, family_of = np.full(len(look.ordered), np.nan), np.append(look.which, -1)[look.reading_pack]
    loaded, current_a = look.state("discharge"), np.nan_to_num(look.number("current_a"))
    into_a = np.where(look.state("charge"), -current_a, 0.0)
    for number, family in enumerate(look.families):
        own = family_of == number
        most[own] = np.where(loaded[own], most_drawn_v(family, current_a[own]), most_charged_v(family, into_a[own]))
    asked = look.resting | look.state("charge") | loaded
    return charged | look.any_of(look.reading_pack, asked & (look.highest > most - SLACK))


def overfilled(look: Look) -> Bools:
    """Find charges, into whichever block, that are together more than it holds and may have lost between them."""
    rated = look.of_topup(lambda f: f.rated_ah)
    charge, may_lose = np.nan_to_num(look.charge("charge_ah")), rated * LATER_SHARE_PER_DAY * look.topup_day
    by_pack = pd.Series(charge).groupby(look.topup_pack)
    put_in = by_pack.cumsum().to_numpy(np.float64)
    least = pd.Series(put_in - charge - may_lose).groupby(look.topup_pack).cummin().to_numpy(np.float64)
    return look.any_of(look.topup_pack, put_in - may_lose - least > rated - SLACK)


def wrong_block(look: Look) -> Bools:
    """Around some charge a block that was not charged rose, or had lain low, by as much as the check asks."""
    found = np.zeros(len(look.which), dtype=np.bool_)
    charges, every = look.open_charges("wrong-block"), np.ones(len(look.topup_day), dtype=np.bool_)
    returned = InOrder.of(look.returned, look.outcome_pack, look.outcome_day)
    _, since = returned.around(look.topup_pack[charges], look.topup_day[charges] + KEY_DAYS)
    charges = charges[since < 0]
    start, end, pack = look.begun(charges), look.topup_day[charges], look.topup_pack[charges]
    visit = VISIT.total_seconds() / SECONDS_PER_DAY
    # Who was read in the very moment at which a window begins or ends may be on either side: looked at in any case.
    for moment in (start - visit, start, end, end + visit):
        found[pack[look.rests.next_to(pack, moment)]] = True
    day = np.append(look.reading_day, np.nan)
    before, (_, after) = look.rests.around(pack, start)[0], look.rests.around(pack, end)
    known = (before >= 0) & (start - day[before] <= visit + SLACK)
    charges, before, after, start, end, pack = (x[known] for x in (charges, before, after, start, end, pack))
    if not len(charges):
        return found
    two = (after >= 0) & (day[after] - end <= visit + SLACK)
    # Several blocks of one visit may be noted as a charge each.
    all_charges = InOrder.of(every, look.topup_pack, look.topup_day)
    times = np.vstack([look.topped[-1:], look.topped[all_charges.rows]]).cumsum(axis=0, dtype=np.intp)
    until = np.where(two, day[after], end)
    charged = times[all_charges.place(pack, until)] > times[all_charges.place(pack, day[before])]
    charged |= look.topped[charges]
    bad = BAD_SHARE * look.of(lambda f: f.rest_spread_limit_v)[pack]
    off, row = look.volts[before] - others_v(look.volts[before]), np.arange(len(charges))
    low = np.nan_to_num(off, nan=0.0)
    worst = low.argmin(axis=1)
    own = np.where(charged, low, np.inf).min(axis=1)
    now = np.where(two[:, None], look.volts[after], np.nan)
    now = now - others_v(now)
    wrong = ~charged[row, worst] & (low[row, worst] <= -bad + SLACK) & (own >= low[row, worst] / 2 - SLACK)
    wrong &= ~(now[row, worst] > -bad / 2 + SLACK) & ~_charged_lowest_under_load(look, pack, start, charged)
    rise = np.nan_to_num(now - off, nan=0.0)
    most = np.where(charged, -np.inf, rise).max(axis=1)
    least = np.where(charged, rise, -np.inf).max(axis=1)
    found[pack[wrong | (two & (most >= bad - SLACK) & (least < most / 2 + SLACK))]] = True
    return found


def _charged_lowest_under_load(look: Look, pack: Rows, start: Floats, charged: Bools) -> Bools:
    """Whether the last load of the visit before each of some charges found a block lowest that was charged."""
    loads = InOrder.of(look.state("discharge"), look.reading_pack, look.reading_day)
    visit = VISIT.total_seconds() / SECONDS_PER_DAY
    last, _ = loads.around(pack, start)
    sure = (last >= 0) & (np.append(look.reading_day, np.nan)[last] > start - visit + KEY_DAYS)
    sure &= ~loads.next_to(pack, start)
    volts = look.volts[last]
    off = np.nan_to_num(volts - others_v(volts), nan=np.inf)
    return np.asarray(sure & charged[np.arange(len(last)), off.argmin(axis=1)])
