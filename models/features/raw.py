"""From histories to the feature table, for many moments at once: column operations, no loop over packs.

Only facts at or before a moment's origin are read. What is missing stays NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Bools, Floats, Rows
from models.features.derived import RawFeatures, RowFamilies, derive
from models.features.information import INFORMATION, VISITS, add_up, apparent_missing, days_of_loss, visit_share
from models.packs.contradictions import Contradicted, FamilyLimits, contradicted
from models.packs.draw_down import HELD_MOST_C, draw_down_rows
from models.packs.tables import SECONDS_PER_DAY, HistoryTables, to_days
from models.physics.cell_curves import ocv_v, resistance_mohm, soc_from_rest
from models.physics.imbalance import (
    AGED_RESISTANCE,
    deviation_v,
    excess_resistance_mohm,
    missing_charge_share,
    weakest_block,
)

LOAD_REFERENCE_A: Final = 50.0
CHARGE_REFERENCE_A: Final = 30.0
ASSUMED_LOAD_SHARE: Final = 0.45
"""Current of a load reading without a noted current, as a share of the family's peak. Invented."""

ASSUMED_CHARGE_SHARE: Final = 0.27
"""The same for a reading while charging. Invented."""

POLARISATION_V: Final = 0.012
USUAL_CHARGE_HOURS: Final = 10.0
"""A cell's voltage above its resting charge branch at the end of a gentle charge, and the time in which that would
fill it: C/10 (common practice, no source). The former is invented."""

RELEASE_VISIT_DAYS: Final = 4.0
"""The first reading within this time after the charge counts as the one at the release. Invented."""

VISIT_DAYS: Final = 0.2
"""Readings this close together belong to one visit. Invented."""

STAY_DAYS: Final = 1.0
"""A rest reading within this time of the first after a charge is of the same stay on the bench, unless a reading under
load shows that it was driven in between: who reads too soon is told to read again next day. Invented."""

EARLIER_VISIT_DAYS: Final = 5.0
"""A rest reading this long before the newest one before the charge is of an earlier visit, and tells a decline.
Invented."""

LEAST_LOAD_A: Final = 2.0
"""A noted current below this is no load that tells anything: it is read as not noted. Invented."""

LEAST_SPREAD_DAYS2: Final = 2.0
"""Sum of squared distances from their mean, in days, that readings must have to tell a trend. Invented."""

PLANNED: Final = ("km_per_day", "trips_per_day", "parked_days_in_30", "ambient_c")
"""What a plan of use tells."""

LEAST_HOLD_DAYS: Final = 0.5
"""A hold shorter than this counts as this long where a charge is divided by it. Invented."""


@dataclass(frozen=True)
class _Facts:
    """Rows of a table in order of pack and time, and how to find those of a pack up to a moment."""

    order: Rows
    code: Rows
    second: NDArray[np.int64]
    key: NDArray[np.int64]

    @classmethod
    def of(cls, tables: HistoryTables, name: str) -> _Facts:
        """Order the rows of one of the tables."""
        return tables.once(f"{name} in order", lambda: cls._made(tables, name))

    @classmethod
    def _made(cls, tables: HistoryTables, name: str) -> _Facts:
        code, day = tables.codes(name), tables.days(name)
        missing = _EARLIEST + 1 if name == "usage" else 0
        second = np.where(np.isnan(day), missing, np.round(day * SECONDS_PER_DAY)).astype(np.int64)
        key = _key(code, second)
        order = np.argsort(key, kind="stable")
        return cls(order, code[order], second[order], key[order])

    def range(self, code: Rows, second: NDArray[np.int64]) -> tuple[Rows, Rows]:
        """First row of each pack, and one past its last row at or before the moment."""
        return np.searchsorted(self.key, _key(code, np.full_like(second, _EARLIEST))), np.searchsorted(
            self.key, _key(code, second), side="right"
        )


_EARLIEST: Final = -(2**38)


def _key(code: Rows, second: NDArray[np.int64]) -> NDArray[np.int64]:
    return code.astype(np.int64) * 2**40 + (second + 2**39)


def _column(tables: HistoryTables, table: str, name: str, rows: Rows, known: NDArray[np.bool_] | None = None) -> Floats:
    """Values of some rows of a table; NaN where `known` is false (its row number is then meaningless)."""
    values = tables.column(table, name)
    if known is None:
        return values[rows]
    out = np.full(len(rows), np.nan)
    out[known] = values[rows[known]]
    return out


@dataclass(frozen=True)
class _Moments:
    """What each of m moments asks about: its pack, its origin and its last top-up. Arrays of shape (m,)."""

    code: Rows
    origin: NDArray[np.int64]
    packs: RowFamilies
    last_topup: Rows  # row of the top-up table
    previous_topup: Rows  # the one before, meaningless where there is none
    earlier: NDArray[np.int64]  # number of earlier top-ups
    topped_at: NDArray[np.int64]
    previous_at: NDArray[np.int64]
    block: Rows  # from 0

    def __len__(self) -> int:
        return len(self.code)


class _Pick:
    """Selected readings (one or none a moment) and what they say of the topped block."""

    def __init__(self, rows: Rows, deviation: Floats, block: Rows) -> None:
        self.rows, self.known = rows, rows >= 0
        # Where no pack has a reading the table has no block columns either.
        self.deviation = np.full((len(rows), max(deviation.shape[1], int(block.max(initial=0)) + 1)), np.nan)
        self.deviation[self.known, : deviation.shape[1]] = deviation[rows[self.known]]
        place = np.arange(len(rows))
        self.own = self.deviation[place, block]
        others = self.deviation.copy()
        others[place, block] = np.inf
        lowest = np.where(np.isnan(others), np.inf, others).min(axis=1)
        self.lowest_other = np.where(np.isfinite(lowest) & self.known, lowest, np.nan)

    def take(self, values: Floats) -> Floats:
        """Read a per-reading quantity for the selected readings."""
        out = np.full(len(self.rows), np.nan)
        out[self.known] = values[self.rows[self.known]]
        return out


def _first(moment: Rows, row: Rows, mask: NDArray[np.bool_], count: int) -> Rows:
    out = np.full(count, -1, dtype=np.intp)
    out[moment[mask][::-1]] = row[mask][::-1]
    return out


def _last(moment: Rows, row: Rows, mask: NDArray[np.bool_], count: int) -> Rows:
    out = np.full(count, -1, dtype=np.intp)
    out[moment[mask]] = row[mask]
    return out


def _day_of(rows: Rows, day: Floats) -> Floats:
    """Day of one reading a moment, infinity where there is none (row -1)."""
    out = np.full(len(rows), np.inf)
    out[rows >= 0] = day[rows[rows >= 0]]
    return out


def _pairs(start: Rows, end: Rows) -> tuple[Rows, Rows]:
    """Every (moment, row) with start <= row < end, in order."""
    count = end - start
    moment = np.repeat(np.arange(len(start)), count)
    row = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(start, count)
    return moment, row.astype(np.intp)


def feature_frame(tables: HistoryTables, moments: pd.DataFrame) -> pd.DataFrame:
    """Compute the feature table.

    Parameters
    ----------
    tables : HistoryTables
        At least one top-up at or before each moment's origin (`models.features.inferred_topups`).
    moments : DataFrame
        ``pack_id`` and ``origin`` (UTC); one row a forecast.

    Returns
    -------
    DataFrame, shape (len(moments), len(FEATURE_NAMES))
        float64, index of `moments`; NaN where the evidence is missing. Each row depends on its own pack only.
    """
    return derive(raw_features(tables, moments)).set_axis(moments.index)


def raw_and_block(tables: HistoryTables, moments: pd.DataFrame) -> tuple[RawFeatures, Rows]:
    """Read as `raw_features` does, and tell the (first) block of each newest top-up, from 1."""
    raw, at, _ = _raw(tables, moments)
    return raw, at.block + 1


def raw_and_rows(tables: HistoryTables, moments: pd.DataFrame) -> tuple[RawFeatures, Bools]:
    """Read as `raw_features` does, and tell which rows of the readings single figures rest on, or visits are told by.

    The others go into sums alone: those of `models.features.information`, and the trend under load. Shape (rows,).
    """
    raw, _, rows = _raw(tables, moments)
    read = np.zeros(len(tables.readings), dtype=np.bool_)
    read[rows] = True
    return raw, read


def raw_features(tables: HistoryTables, moments: pd.DataFrame) -> RawFeatures:
    """Read what was measured, noted and planned; parameters as for `feature_frame`."""
    return _raw(tables, moments)[0]


def _raw(tables: HistoryTables, moments: pd.DataFrame) -> tuple[RawFeatures, _Moments, Rows]:
    topups = _Facts.of(tables, "topups")
    at = _moments(tables, moments, topups)
    out: dict[str, Floats] = {}
    _charge(out, tables, at)
    rows = _readings(out, tables, at, _Facts.of(tables, "readings"), topups)
    _plan(out, tables, at, _Facts.of(tables, "usage"))
    _earlier(out, tables, at, topups, _Facts.of(tables, "outcomes"))
    _pack(out, tables, at)
    return RawFeatures(out, at.packs), at, rows


def _families(tables: HistoryTables) -> tuple[list[str], Rows]:
    """Return the names of families, in order, and which each pack is of."""

    def made() -> tuple[list[str], Rows]:
        names, which = np.unique(tables.words("packs", "family").astype(str), return_inverse=True)
        return names.tolist(), which

    return tables.once("families by pack", made)


def _moments(tables: HistoryTables, moments: pd.DataFrame, topups: _Facts) -> _Moments:
    code = tables.pack_index().get_indexer(pd.Index(moments["pack_id"])).astype(np.intp)
    origin = np.round(to_days(moments["origin"]) * SECONDS_PER_DAY).astype(np.int64)
    names, which = _families(tables)
    start, end = topups.range(code, origin)
    last = topups.order[end - 1]
    earlier = end - start - 1
    previous = np.maximum(end - 2, 0)
    return _Moments(
        code=code,
        origin=origin,
        packs=RowFamilies(which[code], [tables.families[n] for n in names]),
        last_topup=last,
        previous_topup=topups.order[previous],
        earlier=earlier,
        topped_at=topups.second[end - 1],
        previous_at=np.where(earlier > 0, topups.second[previous], _EARLIEST),
        block=tables.first_blocks()[last],
    )


def _pack(out: dict[str, Floats], tables: HistoryTables, at: _Moments) -> None:
    for name in ("age_years", "odometer_km"):
        out[name] = tables.column("packs", name)[at.code]
    out["rated_ah"] = at.packs.of(lambda f: f.rated_ah)
    out["cells_per_block"] = at.packs.of(lambda f: f.cells_per_block)
    out["blocks"] = at.packs.of(lambda f: f.blocks)
    out["lithium"] = at.packs.of(lambda f: float(f.chemistry == "lithium-ion"))
    out["limit_mv_per_cell"] = at.packs.of(lambda f: 1e3 * f.discharge_spread_limit_v / f.cells_per_block)


def _charge(out: dict[str, Floats], tables: HistoryTables, at: _Moments) -> None:
    rated = at.packs.of(lambda f: f.rated_ah)
    charge = _column(tables, "topups", "charge_ah", at.last_topup)
    hours = _column(tables, "topups", "duration_h", at.last_topup)
    out["held_days"] = (at.origin - at.topped_at) / SECONDS_PER_DAY
    out["charge_share"] = charge * at.packs.of(lambda f: f.coulombic_efficiency) / rated
    out["charge_rate_per_h"] = charge / hours / rated
    end_v = _column(tables, "topups", "end_v", at.last_topup)
    # At the supply the drop of the leads is in it, which nobody knows and which is as large as what it should tell.
    end_v[tables.words("topups", "end_v_at")[at.last_topup] == "supply"] = np.nan
    out["end_v_per_cell"] = end_v / at.packs.of(lambda f: f.cells_per_block) - _middle_v(at.packs)
    out["end_missing_share"] = end_missing_share(at.packs, out["end_v_per_cell"], out["charge_rate_per_h"])
    blocks = tables.words("topups", "blocks")[at.last_topup]
    out["blocks_topped"] = np.array([len(str(b).split()) for b in blocks], dtype=np.float64)


def _middle_v(families: RowFamilies) -> Floats:
    return families.of(lambda f: float(ocv_v(f.curves, np.array([0.5]))[0]))


def end_missing_share(families: RowFamilies, end_v_per_cell: Floats, rate_per_h: Floats) -> Floats:
    """Return the charge still missing at the end of a charge by the voltage there, less what drives the current.

    Parameters
    ----------
    families : RowFamilies
        Of n rows.
    end_v_per_cell, rate_per_h : array, shape (n,)
        Features; where the rate is not known (NaN) a usual one is taken.

    Returns
    -------
    array, shape (n,)
        Share of rated capacity.
    """
    rate = np.where(np.isnan(rate_per_h), 1 / USUAL_CHARGE_HOURS, rate_per_h) * families.of(lambda f: f.rated_ah)
    mohm = families.of(lambda f: float(resistance_mohm(f.curves, np.array([f.soc_target]), charging=True)[0]))
    above = families.of(lambda f: f.hysteresis_charge_v) + POLARISATION_V + 1e-3 * AGED_RESISTANCE * mohm * rate
    volts = end_v_per_cell + _middle_v(families) - above
    return families.apply(lambda f, v: f.soc_target - soc_from_rest(f.curves, v), volts)


def _aside_from(tables: HistoryTables, readings: _Facts, topups: _Facts) -> Floats:
    """Second from which each reading, in order, is known to be of a pack drawn down on purpose; infinite for others."""
    aside = np.full(len(readings.order), np.inf)
    current = tables.column("readings", "current_a")[readings.order]
    most = HELD_MOST_C * max((f.rated_ah for f in tables.families.values()), default=0.0)
    held = (current > 0) & (current <= most)
    again = held[1:] & held[:-1] & (readings.code[1:] == readings.code[:-1])
    if not again.any():
        return aside
    some = np.flatnonzero(np.isin(readings.code, readings.code[1:][again]))
    code = readings.code[some]
    rated = [tables.families[name].rated_ah for name in tables.words("packs", "family")[code]]
    rest = tables.words("readings", "state")[readings.order[some]] == "rest"
    charges = np.searchsorted(topups.key, readings.key[some], side="right")
    second = readings.second[some].astype(np.float64)
    aside[some] = draw_down_rows(code, second, rest, current[some], np.array(rated), charges).aside_from
    return aside


def readings_not_used(tables: HistoryTables) -> pd.Series[Any]:
    """Count the readings of each pack that no figure rests on, or only some blocks of them; index ``pack_id``.

    Parameters
    ----------
    tables : HistoryTables
        Facts known at the moment of the forecast.
    """
    found, codes = _contradicted(tables), tables.pack_index()
    doubted = found.flowing | found.against_rest.any(axis=1)
    return pd.Series(np.bincount(_Facts.of(tables, "readings").code[doubted], minlength=len(codes)), index=codes)


def used_readings(tables: HistoryTables) -> NDArray[np.bool_]:
    """Tell which rows of the readings are of use: not those that cannot be what they are said to be. Shape (rows,)."""
    used = np.ones(len(tables.readings), dtype=np.bool_)
    used[_Facts.of(tables, "readings").order] = ~_contradicted(tables).whole(_volts(tables))
    return used


def _volts(tables: HistoryTables) -> Floats:
    """Return the block voltages of the readings in order, V, shape (rows, blocks)."""
    return tables.once("block voltages in order", lambda: tables.volts()[_Facts.of(tables, "readings").order])


def _contradicted(tables: HistoryTables) -> Contradicted:
    """Find what contradicts a rest reading, or its own state, among readings in order."""
    return tables.once("contradicted", lambda: _contradictions(tables))


def _contradictions(tables: HistoryTables) -> Contradicted:
    readings, topups, volts = _Facts.of(tables, "readings"), _Facts.of(tables, "topups"), _volts(tables)
    names, which = _families(tables)
    state = tables.words("readings", "state")[readings.order]
    if not len(state):
        return Contradicted(np.zeros(0, dtype=np.bool_), np.zeros(volts.shape, dtype=np.bool_))
    current = tables.column("readings", "current_a")[readings.order]
    limits = FamilyLimits.of([tables.families[name] for name in names])
    charges = np.searchsorted(topups.key, readings.key, side="right")
    second = readings.second.astype(np.float64)
    return contradicted(readings.code, second, state, current, volts, charges, limits, which[readings.code])


def _readings(out: dict[str, Floats], tables: HistoryTables, at: _Moments, readings: _Facts, topups: _Facts) -> Rows:
    """Fill in what the readings say; return the rows of their table that single figures rest on, or visits are told by.

    A row may come again.
    """
    count, block = len(at), at.block
    volts = _volts(tables)
    state = tables.words("readings", "state")[readings.order]
    current = tables.column("readings", "current_a")[readings.order]
    found = _contradicted(tables)
    volts, believable = np.where(found.against_rest, np.nan, volts), ~found.whole(volts)
    deviation = deviation_v(volts)
    moment, row = _pairs(*readings.range(at.code, at.origin))
    aside_from = np.where(believable, _aside_from(tables, readings, topups), -np.inf)
    stands = aside_from[row] > at.origin[moment]
    moment, row = moment[stands], row[stands]
    temperature = tables.column("readings", "temperature_c")[readings.order]
    day = readings.second / SECONDS_PER_DAY
    cells, peak = at.packs.of(lambda f: f.cells_per_block), at.packs.of(lambda f: f.peak_current_a)

    when = readings.second[row]
    before = (when < at.topped_at[moment]) & (when > at.previous_at[moment])
    after = when >= at.topped_at[moment]
    is_state = {s: (state == s)[row] for s in ("rest", "discharge", "charge")}
    first_after = _first(moment, row, after, count)
    first_after_day = _day_of(first_after, day)
    at_release = first_after_day - at.topped_at / SECONDS_PER_DAY <= RELEASE_VISIT_DAYS
    apart = day[row] - first_after_day[moment]
    drove = _first(moment, row, after & ~is_state["rest"] & (apart > VISIT_DAYS), count)
    drove_day = _day_of(drove, day)
    stays = after & is_state["rest"] & (apart <= STAY_DAYS) & (day[row] < drove_day[moment])
    last_stay = _last(moment, row, stays, count)
    last_stay_day = _day_of(last_stay, day)
    visit_end = np.where(np.isfinite(last_stay_day), last_stay_day, first_after_day) + VISIT_DAYS
    release = after & at_release[moment] & (day[row] <= visit_end[moment])
    driving = after & ~release
    read_off = [first_after, drove, last_stay]

    def pick(mask: NDArray[np.bool_], *, first: bool = False) -> _Pick:
        read_off.append((_first if first else _last)(moment, row, mask, count))
        return _Pick(read_off[-1], deviation, block)

    def per_load(picked: _Pick, values: Floats, reference: float) -> Floats:
        amps = np.abs(picked.take(current))
        amps = np.where(np.isnan(amps) | (amps < LEAST_LOAD_A), ASSUMED_LOAD_SHARE * peak, amps)
        return np.asarray(1e3 * values / cells * reference / amps)

    def excess(rest: _Pick, load: _Pick) -> Floats:
        together = np.abs(rest.take(day) - load.take(day)) <= VISIT_DAYS
        mohm = excess_resistance_mohm(rest.deviation, load.deviation, load.take(current))
        own = mohm[np.arange(count), block] / cells
        return np.where(together, own, np.nan)

    rest_b, load_b, charge_b = (pick(before & is_state[s]) for s in ("rest", "discharge", "charge"))
    out["before_rest_mv_per_cell"] = 1e3 * rest_b.own / cells
    out["before_missing_share"] = at.packs.apply(missing_charge_share, rest_b.own)
    out["before_load_mv_per_cell"] = per_load(load_b, load_b.own, LOAD_REFERENCE_A)
    out["before_excess_mohm_per_cell"] = excess(rest_b, load_b)
    out["before_charge_mv_per_cell"] = per_load(charge_b, charge_b.own, CHARGE_REFERENCE_A)
    out["before_second_mv_per_cell"] = 1e3 * rest_b.lowest_other / cells
    out["before_lower_elsewhere_mv_per_cell"] = 1e3 * (rest_b.own - rest_b.lowest_other) / cells
    out["before_load_elsewhere_mv_per_cell"] = per_load(load_b, load_b.own - load_b.lowest_other, LOAD_REFERENCE_A)
    out["before_lead"] = np.where(rest_b.known, weakest_block(rest_b.deviation)[1], np.nan)
    rest_b_day = rest_b.take(day)
    earlier = pick(before & is_state["rest"] & (day[row] < (rest_b_day - EARLIER_VISIT_DAYS)[moment]))
    apart = rest_b_day - earlier.take(day)
    out["before_decline_share_per_day"] = (
        out["before_missing_share"] - at.packs.apply(missing_charge_share, earlier.own)
    ) / apart

    rest_a, load_a = (pick(release & is_state[s]) for s in ("rest", "discharge"))
    soonest_a = [pick(release & is_state[s], first=True) for s in ("rest", "discharge")]
    noted_after = _column(tables, "topups", "rest_after_v", at.last_topup)
    out["noted_rise_v"] = noted_after - _column(tables, "topups", "rest_before_v", at.last_topup)
    out["after_rest_mv_per_cell"] = 1e3 * rest_a.own / cells
    out["rest_before_v"], out["rest_after_v"] = rest_b.own, rest_a.own
    hours = (rest_a.take(day) - at.topped_at / SECONDS_PER_DAY) * 24
    out["after_rest_hours"] = np.where(np.isnan(hours), _column(tables, "topups", "rest_after_h", at.last_topup), hours)
    out["after_load_mv_per_cell"] = per_load(load_a, load_a.own, LOAD_REFERENCE_A)
    together_a = excess(rest_a, load_a)
    out["after_excess_mohm_per_cell"] = np.where(np.isnan(together_a), excess(*soonest_a), together_a)
    out["after_load_elsewhere_mv_per_cell"] = per_load(load_a, load_a.own - load_a.lowest_other, LOAD_REFERENCE_A)
    out["after_second_mv_per_cell"] = 1e3 * rest_a.lowest_other / cells

    rest_n, load_n, charge_n = (pick(driving & is_state[s]) for s in ("rest", "discharge", "charge"))
    origin_day, topped_day = at.origin / SECONDS_PER_DAY, at.topped_at / SECONDS_PER_DAY
    out["now_rest_mv_per_cell"] = 1e3 * rest_n.own / cells
    out["now_missing_share"] = at.packs.apply(missing_charge_share, rest_n.own)
    out["now_rest_age_days"] = origin_day - rest_n.take(day)
    out["now_rest_held_days"] = rest_n.take(day) - topped_day
    out["now_load_mv_per_cell"] = per_load(load_n, load_n.own, LOAD_REFERENCE_A)
    out["now_load_age_days"] = origin_day - load_n.take(day)
    out["now_load_lowest_mv_per_cell"] = per_load(load_n, np.fmin(load_n.own, load_n.lowest_other), LOAD_REFERENCE_A)
    out["now_charge_mv_per_cell"] = per_load(charge_n, charge_n.own, CHARGE_REFERENCE_A)
    out["now_load_trend_mv_per_day"] = _trend(
        moment, row, after & is_state["discharge"], deviation, block, current, day, cells, peak, count
    )
    visit = np.select([before, release, driving], list(VISITS), "")
    out |= _information(at, moment, row, visit, deviation, state, current, day)
    rest_temperature = np.where(np.isnan(rest_n.take(temperature)), rest_a.take(temperature), rest_n.take(temperature))
    out["_rest_temperature_c"] = np.where(np.isnan(rest_temperature), rest_b.take(temperature), rest_temperature)
    rows = np.concatenate(read_off)
    return readings.order[rows[rows >= 0]]


def _information(
    at: _Moments,
    moment: Rows,
    row: Rows,
    visit: NDArray[np.str_],
    deviation: Floats,
    state: NDArray[np.object_],
    current: Floats,
    day: Floats,
) -> dict[str, Floats]:
    """Sum up every reading of the topped block since the top-up before: see `models.features.information`."""
    own = deviation[row, at.block[moment]] if len(row) else np.zeros(0)
    used = (visit != "") & ~np.isnan(own)
    moment, row, visit = moment[used], row[used], visit[used]
    own = own[used] / at.packs.of(lambda f: f.cells_per_block)[moment]
    sign = np.select([state[row] == "rest", state[row] == "charge"], [0.0, -1.0], 1.0)
    amps = np.abs(current[row])
    guessed = (sign != 0) & ~(amps >= LEAST_LOAD_A)
    usual = (
        np.where(sign < 0, ASSUMED_CHARGE_SHARE, ASSUMED_LOAD_SHARE) * at.packs.of(lambda f: f.peak_current_a)[moment]
    )
    amps = sign * np.where(guessed, usual, amps)
    amps[sign == 0] = 0.0
    hysteresis = at.packs.of(lambda f: f.hysteresis_charge_v)[moment]
    own = np.where((visit == "release") & (sign >= 0), own - hysteresis, own)
    missing, per_v = np.zeros(len(own)), np.zeros(len(own))
    for number, family in enumerate(at.packs.families):
        some = at.packs.which[moment] == number
        missing[some], per_v[some] = apparent_missing(family, own[some], amps[some])
    since = days_of_loss(day[row] - (at.topped_at / SECONDS_PER_DAY)[moment])
    out: dict[str, Floats] = {}
    for name in VISITS:
        some = visit == name
        share = visit_share(moment[some], amps[some], day[row[some]], VISIT_DAYS)
        found = add_up(moment[some], missing[some], per_v[some], amps[some], guessed[some], since[some], share, len(at))
        out |= {f"{name}_{term}": values for term, values in found.items()}
    return {name: out[name] for name in INFORMATION}


def _trend(
    moment: Rows,
    row: Rows,
    mask: NDArray[np.bool_],
    deviation: Floats,
    block: Rows,
    current: Floats,
    day: Floats,
    cells: Floats,
    peak: Floats,
    count: int,
) -> Floats:
    """Slope of the scaled deviation under discharge over time since the charge, by least squares; NaN if too short."""
    m, r = moment[mask], row[mask]
    amps = np.where(np.isnan(current[r]) | (current[r] < LEAST_LOAD_A), ASSUMED_LOAD_SHARE * peak[m], current[r])
    y = 1e3 * deviation[r, block[m]] / cells[m] * LOAD_REFERENCE_A / amps
    known = ~np.isnan(y)
    m, x, y = m[known], day[r][known], y[known]

    def total(values: Floats) -> Floats:
        return np.bincount(m, values, minlength=count).astype(np.float64)

    number = total(np.ones(len(m)))
    middle = total(x) / np.maximum(number, 1)
    x = x - middle[m]
    spread = total(x * x)
    enough = (number >= 2) & (spread >= LEAST_SPREAD_DAYS2)
    return np.asarray(np.where(enough, total(x * y) / np.where(enough, spread, 1.0), np.nan), dtype=np.float64)


def _plan(out: dict[str, Floats], tables: HistoryTables, at: _Moments, usage: _Facts) -> None:
    start, end = usage.range(at.code, at.origin)
    known = end > start
    rows = usage.order[np.maximum(end - 1, 0)] if len(usage.order) else np.zeros(len(at), dtype=np.intp)
    for name in PLANNED:
        out[name] = _column(tables, "usage", name, rows, known)
    rest = out.pop("_rest_temperature_c")
    out["ambient_c"] = np.where(np.isnan(out["ambient_c"]), rest, out["ambient_c"])


def _earlier(out: dict[str, Floats], tables: HistoryTables, at: _Moments, topups: _Facts, outcomes: _Facts) -> None:
    """How long earlier top-ups held: from each to the first return after it, if that came before the next one."""
    out["earlier_topups"] = at.earlier.astype(np.float64)
    returned = (tables.words("outcomes", "kind") == "returned")[outcomes.order]
    r_code, r_second, r_key = outcomes.code[returned], outcomes.second[returned], outcomes.key[returned]
    end = topups.range(at.code, at.origin)[1]
    moment, row = _pairs(end - 1 - at.earlier, end - 1)
    place = np.searchsorted(r_key, topups.key[row], side="left")
    inside = place < len(r_key)
    found = np.zeros(len(row), dtype=bool)
    same_pack = r_code[place[inside]] == at.code[moment[inside]]
    found[inside] = same_pack & (r_second[place[inside]] <= topups.second[row[inside] + 1])
    hold = np.full(len(row), np.nan)
    hold[found] = (r_second[place[found]] - topups.second[row[found]]) / SECONDS_PER_DAY
    shortest, last_hold = np.full(len(at), np.nan), np.full(len(at), np.nan)
    np.fmin.at(shortest, moment, hold)
    last_hold[moment] = hold  # the last earlier top-up wins
    out["shortest_hold_days"], out["last_hold_days"] = shortest, last_hold
    has = at.earlier > 0
    same = tables.first_blocks()[at.previous_topup] == at.block
    out["last_same_block"] = np.where(has, same, np.nan)
    stored = _column(tables, "topups", "charge_ah", at.previous_topup) * at.packs.of(lambda f: f.coulombic_efficiency)
    share = stored / at.packs.of(lambda f: f.rated_ah)
    out["last_loss_share_per_day"] = np.where(has & same, share / np.maximum(last_hold, LEAST_HOLD_DAYS), np.nan)
