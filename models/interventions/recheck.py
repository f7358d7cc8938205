"""Recheck plan: on which day another reading is worth most, and what the reading will then mean.

The packs that explain this one's readings are run forward; on each morning that comes into question those still holding
are read as a meter would read them, and the forecaster forecasts from each such reading as it will from the real one.
What a reading means is the mean of that and of what became of the packs that read so: the two err in different places
(`tests/benchmarks/bench_recheck.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd
from sklearn.isotonic import IsotonicRegression

from models.base.arrays import Floats, Rows
from models.base.day_grid import DAYS, HORIZON_DAYS, days_of_return, survival_at
from models.base.errors import BadInput
from models.features.added_reading import with_reading
from models.features.derived import derive
from models.forecasts.forecast import Flag, Forecast
from models.interventions.ensemble import ensemble_of, reconciled_weights
from models.interventions.forward_runs import Ready, run_plans
from models.interventions.pack_bank import FamilyBank
from models.interventions.plans import PRESENT
from models.packs.family import PackFamily
from models.packs.stops.cells import one_cell_down_v
from models.packs.tables import VOLT_DECIMALS, HistoryTables
from models.physics.block_voltage import block_voltage_v
from models.physics.imbalance import deviation_v
from models.physics.pack_state import PackState
from models.physics.use_process import UseProcess

Curves = Callable[[pd.DataFrame], tuple[Floats, Floats, Floats]]

DEFAULT_RISK: Final = 0.1
"""Probability of a return that is not to be passed unless another is chosen. Invented."""

LOWEST_RISK: Final = 0.01
HIGHEST_RISK: Final = 0.5
"""Between these a risk may be chosen: below, the ensemble is too small to tell; above, nothing is left to decide."""

PACKS_READ: Final = 1200
"""Simulated packs that are run forward and read: with a quarter of them the days of a row moved half as much again with
the draws, and no reader can see that (`tests/studies/decisions.md`)."""

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

EDGES_DAYS: Final = (1.0, 3.0, 7.0, 14.0, 30.0, 60.0)
"""Where the days promised by a reading pass one of these, a new row of the table begins. Invented."""

LEAST_SHARE: Final = 0.07
"""Rows that fewer of the packs would fall into are joined to the next. Invented."""

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
        Further days that hold at the chosen risk; the horizon if that lies there or beyond.
    return_7, return_14 : float or None
        Probability that the fault returns within a week and within two weeks of that reading; None where no simulated
        pack read so.
    stop : bool
        The risk passes the limit within a day, or no simulated pack read so: do not drive on with it.
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
    curves: Curves,
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
    curves : callable
        Hold curves of a feature table, as `Forecaster.curves`.
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
    promised = forecast.good_for(1 - risk)
    if promised is None:  # withheld: it is read at once
        return RecheckPlan(forecast, risk, None, None, 0.0, (), (), 0.0, ())
    limit = None if promised >= forecast.horizon_days else promised
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
        return curves(derive(with_reading(tables, forecast.origin, volts)))[0]

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
    table = with_end(
        meanings(below_mv, part, holds, weight[here.run], level),
        min(float(below_mv.max()), cell_down_mv(packs.family, here.block_v), 1e3 * packs.family.rest_spread_limit_v),
    )
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


def meanings(
    below_mv: Floats, survival: Floats, holds: Floats, weight: Floats, risk: float
) -> tuple[ReadingMeaning, ...]:
    """Make the table: readings that mean about the same go into one row.

    The days are read off at `Forecast.told_level`, as those of the forecast are.

    Parameters
    ----------
    below_mv : array, shape (k,)
        How far the block reads below the median, mV.
    survival : array, shape (k, len(DAYS))
        Forecast from each reading.
    holds : array, shape (k, len(DAYS))
        1 while each pack held after it was read so, then 0.
    weight : array, shape (k,)
    risk : float
        Return probability at which days are read off.

    Returns
    -------
    tuple of ReadingMeaning
        From level downwards, the days promised not rising.
    """
    order = np.argsort(below_mv, kind="stable")
    below, curves, w = below_mv[order], survival[order], weight[order] / weight.sum()
    mean = (curves + holds[order]) / 2
    days = _good_for(curves, risk)
    smooth = IsotonicRegression(increasing=False).fit_transform(below, days, sample_weight=w + 1e-12)
    level = np.searchsorted(EDGES_DAYS, smooth, side="right")
    edges = [float(STEP_MV * np.round(below[i] / STEP_MV)) for i in range(1, len(level)) if level[i] != level[i - 1]]
    kept: list[float] = []
    for edge in sorted(set(edges)):
        left = kept[-1] if kept else -np.inf
        inside, beyond = w[(below >= left) & (below < edge)].sum(), w[below >= edge].sum()
        if inside >= LEAST_SHARE and beyond >= LEAST_SHARE:
            kept.append(edge)
    bounds = [-np.inf, *kept, np.inf]
    rows: list[ReadingMeaning] = []
    for low, high in pairwise(bounds):
        here = (below >= low) & (below < high)
        curve = w[here] @ mean[here] / w[here].sum()
        good = min(float(_good_for(curve[None, :], risk)[0]), rows[-1].good_for_days if rows else HORIZON_DAYS)
        at = survival_at(curve[None, :], np.array([7.0, 14.0]))[0]
        rows.append(
            ReadingMeaning(
                low_mv=None if np.isinf(low) else low,
                high_mv=None if np.isinf(high) else high,
                share=float(w[here].sum()),
                good_for_days=good,
                beyond_horizon=good >= HORIZON_DAYS,
                return_7=float(1 - at[0]),
                return_14=float(1 - at[1]),
                stop=good < 1,
            )
        )
    return tuple(rows)


def cell_down_mv(family: PackFamily, block_v: Floats) -> float:
    """Return how far below the median of all blocks a block reads as if a cell of it were down, mV.

    Parameters
    ----------
    block_v : array, shape (k, b)
        Readings at rest, V.
    """
    off_v = float(one_cell_down_v(family, np.array([np.median(block_v)]))[0])
    return -1e3 * off_v if off_v < 0 else np.inf


def with_end(table: tuple[ReadingMeaning, ...], furthest_mv: float) -> tuple[ReadingMeaning, ...]:
    """End a table where nothing is known any more: a reading further down is no promise, but a reason to stop.

    Parameters
    ----------
    furthest_mv : float
        The furthest down that any of the packs read, and no further than where a cell is down or the fault comes.
    """
    edge = float(STEP_MV * np.ceil(furthest_mv / STEP_MV))
    if not np.isfinite(edge):
        return table
    kept = [row for row in table if row.low_mv is None or row.low_mv < edge]
    past = sum(row.share for row in table[len(kept) :])
    last = kept[-1]
    if last.stop:
        return (*kept[:-1], replace(last, high_mv=None, share=last.share + past))
    return (*kept[:-1], replace(last, high_mv=edge), ReadingMeaning(edge, None, past, 0.0, False, None, None, True))


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
