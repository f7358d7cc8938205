"""Recheck plan: on which day another reading is worth most, and what the reading will then mean.

The packs that explain this one's readings are run forward; on each morning that comes into question those still holding
are read as a meter would read them, and the forecaster forecasts from each such reading as it will from the real one.
How often the fault is back after a reading is the mean of that and of what became of the packs that read so: the two
err in different places (`tests/benchmarks/bench_recheck.py`). The days of a row are what the forecast promises at its
worst edge, so that nobody is told fewer days once the reading is entered.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import Final, Protocol

import numpy as np
import pandas as pd

from models.base.arrays import Bools, Floats, Rows
from models.base.day_grid import DAYS, HORIZON_DAYS, days_of_return, survival_at
from models.base.errors import BadInput
from models.features.added_reading import packs_with_reading, with_reading
from models.features.derived import RawFeatures, derive
from models.features.raw import raw_and_rows
from models.forecasts.forecast import Flag, Forecast
from models.interventions.ensemble import ensemble_of, reconciled_weights
from models.interventions.forward_runs import Ready, run_plans
from models.interventions.pack_bank import FamilyBank
from models.interventions.plans import PRESENT
from models.packs.family import PackFamily
from models.packs.fields import columns_of
from models.packs.history import BlockReading
from models.packs.stops.cells import one_cell_down_v
from models.packs.tables import VOLT_DECIMALS, HistoryTables
from models.physics.block_voltage import block_voltage_v
from models.physics.imbalance import deviation_v
from models.physics.pack_state import PackState
from models.physics.use_process import UseProcess


class Told(Protocol):
    """What a forecast tells once a reading is entered (`models.forecaster.Forecaster`)."""

    def curves(self, X: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
        """Hold curves of a feature table, shape (n, len(DAYS)), and their bands."""
        ...

    def promised_days(self, raw: RawFeatures, confidence: float) -> Floats:
        """Days told of packs that were read at their origin, shape (n,)."""
        ...

    def forbidden(self, tables: HistoryTables, moments: pd.DataFrame) -> Bools:
        """Whether each pack is stopped, or its days withheld, shape (n,)."""
        ...


DEFAULT_RISK: Final = 0.1
"""Probability of a return that is not to be passed unless another is chosen. Invented."""

LOWEST_RISK: Final = 0.01
HIGHEST_RISK: Final = 0.5
"""Between these a risk may be chosen: below, the ensemble is too small to tell; above, nothing is left to decide."""

PACKS_READ: Final = 1000
"""Simulated packs that are run forward and read: with few of them chances and shares of a row move with the draws, and
no reader can see that (`tests/studies/decisions.md`)."""

PACKS_COMPARED: Final = 60
"""Of these, those whose readings decide which day is best: every reading costs a forecast."""

MOST_DAYS: Final = 8
"""Days that are compared; each costs a forecast for every pack that still holds."""

LATEST_DAY: Final = 30
"""Readings further ahead than this are not planned: by then there are newer facts. Invented."""

METER_SD_V: Final = 0.004
"""Standard deviation of a rest reading of a 12-cell block with a bench meter, V; it shrinks with the square root of the
cells. Invented."""

REST_SWING_SHARE: Final = 0.035
"""Standard deviation of the string's charge around the centre of its swing when it is read, of rated capacity.
Invented."""

MOST_ROWS: Final = 5
ENOUGH: Final = 0.1
"""Rows that promise anything: no more than so many, and no more once the readings of all rows lose less than this part
of their days to the worst edge of their row. Invented."""

LEAST_SHARE: Final = 0.02
"""No row is cut out for fewer of the packs. Invented."""

EVERYWHERE: Final = 0.1
"""Where rows are cut, so much of the weight lies evenly on all readings that may come, the rest where simulated packs
read. Invented."""

ASKED_AT_ONCE: Final = 16
"""Edges of which it is asked at once whether a reading there forbids driving."""

OTHERS_TRIED: Final = 3
"""So many sets of other blocks stand beside each edge, as simulated packs read them, and the least days count.
Invented."""

NEWEST_KEPT: Final = 100
"""Of more readings than this the warnings of a look are asked of the newest, those that note more than volts, and those
that single figures rest on. Invented."""

STEP_MV: Final = 10.0
"""Edges of rows are rounded to this, mV: nobody reads finer."""


@dataclass(frozen=True)
class ReadingMeaning:
    """What a rest reading on the day of the recheck will mean: one row of the table.

    Attributes
    ----------
    low_mv, high_mv : float or None
        How far the topped block then lies below the median of all blocks at rest, mV; None where the row has no edge.
    share : float
        Of such packs still holding on that day, how many will read so.
    good_for_days : float
        Further days at the chosen risk that the forecast tells at least once such a reading is entered; the horizon if
        that lies there or beyond.
    return_7, return_14 : float or None
        Probability that the fault returns within a week and within two weeks of that reading; None where no simulated
        pack read so, or such a reading forbids driving.
    stop : bool
        The risk passes the limit within a day, or such a reading forbids it, or no simulated pack read so: do not drive
        on with it.
    """

    low_mv: float | None
    high_mv: float | None
    share: float
    good_for_days: float
    beyond_horizon: bool
    return_7: float | None
    return_14: float | None
    stop: bool


@dataclass(frozen=True)
class RecheckPlan:
    """When to read again and what it will mean.

    Attributes
    ----------
    risk : float
        The chosen limit: the probability of a return that is not to be passed.
    limit_day : float or None
        Day on which the forecast passes it without a new reading, the same as `Forecast.good_for` tells; None if not
        within the horizon, and where its days are withheld (`Forecast.withheld_by`).
    day : int or None
        Day of the recheck, in days after the origin; None if the risk passes the limit before a day is over.
    worth_days : float
        Further days of use that a reading on that day brings on average at the same risk.
    candidates : tuple of (int, float)
        Every day compared and what a reading on it is worth.
    table : tuple of ReadingMeaning
        From level downwards; empty without a day.
    effective_packs : float
        How many equally good simulated packs the answer rests on.
    """

    present: Forecast
    risk: float
    limit_day: float | None
    day: int | None
    worth_days: float
    candidates: tuple[tuple[int, float], ...]
    table: tuple[ReadingMeaning, ...]
    effective_packs: float
    flags: tuple[Flag, ...]


@dataclass(frozen=True)
class _Seen:
    """Packs still holding on one morning: their readings, V, shape (k, b), and which run each is."""

    run: Rows
    block_v: Floats

    def some(self, count: int) -> _Seen:
        """Keep some of them: draws are in order of the bank, so those spread evenly over it."""
        kept = np.unique(np.linspace(0, len(self.run) - 1, min(count, len(self.run))).astype(np.intp))
        return _Seen(self.run[kept], self.block_v[kept])


def recheck_plan(
    forecast: Forecast,
    tables: HistoryTables,
    x: pd.DataFrame,
    summary: Floats,
    bank: FamilyBank,
    told: Told,
    rng: np.random.Generator,
    risk: float = DEFAULT_RISK,
) -> RecheckPlan:
    """Plan the next reading of one pack.

    Parameters
    ----------
    tables : HistoryTables
        The one pack's facts known at the origin.
    x : DataFrame, shape (1, features)
        What the forecast was made from.
    summary : array, shape (k,)
        What the forecaster concludes from it (`Forecaster.summary`).
    told : Told
        The forecaster.
    risk : float
        `LOWEST_RISK` to `HIGHEST_RISK`.

    Raises
    ------
    BadInput
        The risk is out of range.
    """
    if not LOWEST_RISK <= risk <= HIGHEST_RISK:
        mend = f"Choose a probability between {LOWEST_RISK:g} and {HIGHEST_RISK:g}."
        raise BadInput.one("risk", f"is {risk:g}.", mend)
    level = forecast.told_level(1 - risk)
    limit = forecast.good_for(1 - risk)
    if limit is None:  # withheld: it is read at once
        return RecheckPlan(forecast, risk, None, None, 0.0, (), (), 0.0, ())
    limit = None if limit >= forecast.horizon_days else limit
    ensemble = ensemble_of(bank, x, summary, forecast.origin, PACKS_READ, rng)
    days = _days_in_question(limit)
    if not days:
        return RecheckPlan(forecast, risk, limit, None, 0.0, (), (), ensemble.effective, ())
    seen: dict[int, _Seen] = {}
    packs, block = ensemble.ready, int(tables.first_blocks()[-1])

    def read(step: int, _: Rows, run: Rows, state: PackState, use: UseProcess) -> None:
        here = Ready(packs.family, state, use, packs.day[run], packs.block[run])
        seen[step] = _Seen(run, with_block_at(rest_readings_v(here, step, rng), here.block, block))

    returned = run_plans(packs, (PRESENT,), rng, HORIZON_DAYS + max(days), look=read, look_on=days)[0]
    weight = reconciled_weights(returned, forecast.survival)
    compared = {day: here.some(PACKS_COMPARED) for day, here in sorted(seen.items())}

    def forecast_then(looks: Mapping[int, _Seen]) -> Floats:
        volts = {day: here.block_v for day, here in looks.items()}
        return told.curves(derive(with_reading(tables, forecast.origin, volts)))[0]

    survival = forecast_then(compared)
    worth = []
    for day, here in compared.items():
        part, survival = survival[: len(here.run)], survival[len(here.run) :]
        worth.append((day, _worth(part, weight[here.run], forecast, day, limit, level)))
    best = max(worth, key=lambda item: item[1])[0]
    here = seen[best]
    part = forecast_then({best: here})
    below_mv = -1e3 * deviation_v(here.block_v)[:, block]
    holds = (returned[here.run, None] - best > DAYS).astype(np.float64)
    limit_mv = 1e3 * packs.family.rest_spread_limit_v
    furthest_mv = min(float(below_mv.max()), cell_down_mv(packs.family, here.block_v), limit_mv)
    look = _Look(told, tables, forecast.origin, best, block, _others(tables, here.some(OTHERS_TRIED).block_v))
    edge_mv = edges(min(float(below_mv.min()), -limit_mv), furthest_mv)
    first, beyond = look.allowed(edge_mv)
    edge_mv = edge_mv[first:beyond]
    promised = look.promised(edge_mv, 1 - risk)
    table = meanings(below_mv, part, holds, weight[here.run], edge_mv, promised, above=first > 0)
    return RecheckPlan(
        present=forecast,
        risk=risk,
        limit_day=limit,
        day=best,
        worth_days=dict(worth)[best],
        candidates=tuple(worth),
        table=table,
        effective_packs=ensemble.effective,
        flags=(),
    )


def rest_readings_v(packs: Ready, step: int, rng: np.random.Generator) -> Floats:
    """Read all blocks at rest on a morning as a bench meter would, V, shape (n, b).

    Parameters
    ----------
    packs : Ready
        n packs.
    step : int
        Days after their `day`.
    """
    family, n = packs.family, packs.packs
    swing = family.rated_ah * REST_SWING_SHARE * rng.standard_normal(n)
    ambient = packs.use.ambient_c(packs.day + step).astype(np.float64)
    volts = block_voltage_v(family, packs.state, np.zeros(n), ambient, swing)
    sd = METER_SD_V * np.sqrt(family.cells_per_block / 12)
    return np.asarray(np.round(volts + sd * rng.standard_normal(volts.shape), VOLT_DECIMALS))


def with_block_at(block_v: Floats, block: Rows, place: int) -> Floats:
    """Exchange columns so that every pack's own topped block stands where the real pack's does, shape (n, b)."""
    rows, out = np.arange(len(block_v)), block_v.copy()
    out[:, place] = block_v[rows, block]
    out[rows, block] = np.where(block == place, out[rows, block], block_v[:, place])
    return out


def edges(highest_mv: float, furthest_mv: float) -> Floats:
    """Return where rows may end, mV below the median, from the highest reading downwards, `STEP_MV` apart.

    Parameters
    ----------
    highest_mv, furthest_mv : float
        The edges reach from the one to the other, or a little more.
    """
    last = float(np.ceil(furthest_mv / STEP_MV))
    return STEP_MV * np.arange(min(float(np.floor(highest_mv / STEP_MV)), last), last + 1)


def with_block_below(block_v: Floats, place: int, below_mv: Floats) -> Floats:
    """Set one block so far below the median of all, V, shape (m, k, b).

    Parameters
    ----------
    block_v : array, shape (k, b)
        Readings at rest.
    below_mv : array, shape (m,)
        Negative above it.
    """
    out = np.broadcast_to(block_v, (len(below_mv), *block_v.shape)).copy()
    out[:, :, place] = np.where(below_mv > 0, -np.inf, np.inf)[:, None]
    out[:, :, place] = np.median(out, axis=2) - 1e-3 * below_mv[:, None]
    return np.asarray(np.round(out, VOLT_DECIMALS))


def _others(tables: HistoryTables, simulated_v: Floats) -> Floats:
    """Return how the other blocks may stand beside the topped one, V: as last read, if all were, and as simulated."""
    volts = tables.volts()[:, : simulated_v.shape[1]]
    whole = (tables.words("readings", "state") == "rest") & ~np.isnan(volts).any(axis=1)
    return np.concatenate([volts[whole][-1:], simulated_v]) if volts.shape[1] == simulated_v.shape[1] else simulated_v


@dataclass(frozen=True)
class _Look:
    """One pack's look to come, as it would be entered: `others_v`, shape (k, b), are read beside the topped block."""

    told: Told
    tables: HistoryTables
    origin: datetime
    day: int
    block: int
    others_v: Floats

    def promised(self, edge_mv: Floats, confidence: float) -> Floats:
        """Days told once the block is read at each edge, and no more than further up, shape (m,)."""
        if not len(edge_mv):
            return np.zeros(0)
        looks = with_block_below(self.others_v, self.block, edge_mv)
        raw = with_reading(self.tables, self.origin, {self.day: looks.reshape(-1, looks.shape[2])})
        days = self.told.promised_days(raw, confidence).reshape(looks.shape[:2])
        return np.asarray(np.minimum.accumulate(days.min(axis=1)))

    def allowed(self, edge_mv: Floats) -> tuple[int, int]:
        """Return the first edge where a reading neither stops the pack nor withholds days, and the next that does."""
        few = _what_warns(self.tables)

        def forbidden(asked: Rows) -> Bools:
            looks = with_block_below(self.others_v[:1], self.block, edge_mv[asked])[:, 0]
            return self.told.forbidden(*packs_with_reading(few, self.origin, {self.day: looks}))

        asked = np.unique(np.linspace(0, len(edge_mv) - 1, ASKED_AT_ONCE).astype(np.intp))
        stops, ends = forbidden(asked), np.concatenate([[-1], asked, [len(edge_mv)]])
        if stops.all():
            return 0, 0
        top = int(np.argmin(stops))
        under = top + int(np.argmax(np.append(stops[top:], True)))
        above, first, last, beyond = (int(ends[place]) for place in (top, top + 1, under, under + 1))
        while first - above > 1 or beyond - last > 1:
            up, down = _between(above, first), _between(last, beyond)
            stops = forbidden(np.concatenate([up, down]))
            above, first = _closer(above, first, up, ~stops[: len(up)])
            last, beyond = _closer(last, beyond, down, stops[len(up) :])
        return first, beyond


def _between(one: int, other: int) -> Rows:
    """Return some whole numbers between two, evenly."""
    count = min(ASKED_AT_ONCE // 2, other - one - 1)
    return np.unique(np.linspace(one, other, count + 2).astype(np.intp)[1:-1]) if count > 0 else np.zeros(0, np.intp)


def _closer(one: int, other: int, asked: Rows, turned: Bools) -> tuple[int, int]:
    """Narrow down where it turns, between two numbers, by those asked between them."""
    place, ends = int(np.argmax(np.append(turned, True))), np.concatenate([[one], asked, [other]])
    return int(ends[place]), int(ends[place + 1])


def _what_warns(tables: HistoryTables) -> HistoryTables:
    """Leave out readings of a logger that no warning rests on: see `NEWEST_KEPT`."""
    if len(tables.readings) <= NEWEST_KEPT:
        return tables
    noted = [c.name for c in columns_of(BlockReading) if c.optional and c.name not in ("temperature_c", "current_a")]
    moment = pd.DataFrame({"pack_id": tables.packs["pack_id"], "origin": [tables.readings["time"].max()]})
    kept = raw_and_rows(tables, moment)[1] | tables.readings[noted].notna().any(axis=1).to_numpy()
    kept[-NEWEST_KEPT:] = True
    return replace(tables, readings=tables.readings[kept].reset_index(drop=True))


def meanings(
    below_mv: Floats,
    survival: Floats,
    holds: Floats,
    weight: Floats,
    edge_mv: Floats,
    days: Floats,
    *,
    above: bool,
) -> tuple[ReadingMeaning, ...]:
    """Make the table: readings that mean about the same go into one row, and each promises what its worst edge does.

    Parameters
    ----------
    below_mv : array, shape (k,)
        How far the block reads below the median, mV.
    survival : array, shape (k, len(DAYS))
        Forecast from each reading.
    holds : array, shape (k, len(DAYS))
        1 while each pack held after it was read so, then 0.
    weight : array, shape (k,)
    edge_mv : array, shape (m,)
        Where a row may end, from level downwards.
    days : array, shape (m,)
        What is promised there, not rising.
    above : bool
        Whether a reading above the first edge forbids driving.

    Returns
    -------
    tuple of ReadingMeaning
        From the highest reading downwards: a stop where one above the first edge is one, rows whose days do not rise,
        and a stop.
    """
    w, mean = weight / weight.sum(), (survival + holds) / 2
    step = np.searchsorted(edge_mv, below_mv, side="right")
    sound, last = int((days >= 1).sum()), len(edge_mv)
    start = 0 if above and sound else -1
    share = np.asarray(np.bincount(step, w, last + 1), dtype=np.float64)[start + 1 : sound]
    ends = [start + 1 + end for end in cuts(days[start + 1 : sound], share)]
    rows: list[ReadingMeaning] = []
    for one, other in pairwise([*([-1] if start == 0 else []), start, *ends, last]):
        here = (step > one) & (step <= other)
        stop = other in (start, last)
        known = here.any() and (not stop or (other == last and sound < last))
        at = survival_at((w[here] @ mean[here] / w[here].sum())[None, :], np.array([7.0, 14.0]))[0] if known else None
        good = 0.0 if stop else float(days[other])
        rows.append(
            ReadingMeaning(
                low_mv=None if one < 0 else float(edge_mv[one]),
                high_mv=None if other == last else float(edge_mv[other]),
                share=float(w[here].sum()),
                good_for_days=good,
                beyond_horizon=good >= HORIZON_DAYS,
                return_7=None if at is None else float(1 - at[0]),
                return_14=None if at is None else float(1 - at[1]),
                stop=stop,
            )
        )
    return tuple(rows)


def cuts(days: Floats, share: Floats) -> list[int]:
    """Choose the steps at which rows end, so that the readings of a row lose least to its worst edge.

    Parameters
    ----------
    days : array, shape (m,)
        Promised at the far edge of each step, not rising, 1 or more.
    share : array, shape (m,)
        Of the packs, how many read within each step.

    Returns
    -------
    list of int
        Last step of each row, rising; empty without steps. The fewest rows, up to `MOST_ROWS`, that lose less than
        `ENOUGH`.
    """
    m = len(days)
    if not m:
        return []
    weight = (1 - EVERYWHERE) * share / max(share.sum(), 1e-12) + EVERYWHERE / m
    logs, before = np.log(days), np.append(0.0, np.cumsum(share))
    total, lost = np.append(0.0, np.cumsum(weight)), np.append(0.0, np.cumsum(weight * np.log(days)))
    # loss[i, j]: of one row from step i to step j
    loss = (lost[None, 1:] - lost[:-1, None]) - logs[None, :] * (total[None, 1:] - total[:-1, None])
    thin = before[None, 1:] - before[:-1, None] < LEAST_SHARE
    thin[0, -1] = False
    loss = np.where(np.tri(m, k=-1, dtype=bool) | thin, np.inf, loss)
    best = loss[0]
    back: list[Rows] = []
    while best[-1] > -np.log1p(-ENOUGH) and len(back) < MOST_ROWS - 1:
        onward = np.append(np.inf, best[:-1])[:, None] + loss
        if not onward[:, -1].min() < best[-1]:
            break
        back.append(onward.argmin(axis=0))
        best = onward.min(axis=0)
    ends = [m - 1]
    for start in reversed(back):
        ends.append(int(start[ends[-1]]) - 1)
    return ends[::-1]


def cell_down_mv(family: PackFamily, block_v: Floats) -> float:
    """Return how far below the median of all blocks a block reads as if a cell of it were down, mV.

    Parameters
    ----------
    block_v : array, shape (k, b)
        Readings at rest, V.
    """
    off_v = float(one_cell_down_v(family, np.array([np.median(block_v)]))[0])
    return -1e3 * off_v if off_v < 0 else np.inf


def _good_for(survival: Floats, risk: float) -> Floats:
    """Days that each of some hold curves, shape (k, g), promises; the horizon where it lies beyond."""
    return np.nan_to_num(days_of_return(survival, risk), nan=HORIZON_DAYS)


def _days_in_question(limit: float | None) -> tuple[int, ...]:
    last = int(min(LATEST_DAY, np.floor(HORIZON_DAYS if limit is None else limit)))
    if last < 1:
        return ()
    return tuple(int(d) for d in np.unique(np.round(np.linspace(1, last, min(MOST_DAYS, last)))))


def _worth(survival: Floats, weight: Floats, forecast: Forecast, day: int, limit: float | None, risk: float) -> float:
    """Days of use that a reading on a day brings on average, at the same total risk as without it.

    Without a reading it is used until the forecast passes the limit. With one it is used, by what is read, until the
    rest of the risk is spent: the part that is left after those that came back before the reading.
    """
    holds = float(survival_at(forecast.survival[None, :], float(day))[0])
    left = 1 - (1 - risk) / holds
    if left <= 0:
        return 0.0
    onward = survival_at(forecast.survival[None, :], np.minimum(day + DAYS, HORIZON_DAYS))[0] / holds
    further = _good_for(agreeing(survival, weight / weight.sum(), onward), left)
    without = (HORIZON_DAYS if limit is None else limit) - day
    return float(holds * (weight @ np.minimum(further, HORIZON_DAYS - day) / weight.sum() - without))


def agreeing(survival: Floats, weight: Floats, together: Floats) -> Floats:
    """Scale the cumulative hazards of hold curves, each day by one factor, so that their mean is a given curve.

    What a reading is worth lies in how far apart the forecasts after it are, not in their common level: later forecasts
    can differ from the present one on average too, and that is no merit of the reading.

    Parameters
    ----------
    survival : array, shape (k, g)
    weight : array, shape (k,)
        Sums to 1.
    together : array, shape (g,)
    """
    hazard = -np.log(np.clip(survival, 1e-12, 1.0))
    low, high = np.full(survival.shape[1], -20.0), np.full(survival.shape[1], 20.0)
    for _ in range(40):
        middle = (low + high) / 2
        above = weight @ np.exp(-np.exp(middle) * hazard) > together
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.minimum.accumulate(np.exp(-np.exp((low + high) / 2) * hazard), axis=1)
