"""Simulated packs that stand for one real pack: drawn by its evidence, reconciled with its forecast."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
import pandas as pd

from models.base.arrays import Floats, Rows
from models.base.day_grid import DAYS
from models.interventions.forward_runs import Ready
from models.interventions.known_use import day_of_year, with_known_use
from models.interventions.pack_bank import FamilyBank
from models.packs.tables import to_days

LEAST_PATHS: Final = 4.0
"""Effective number of runs that a stretch of return days must hold to be weighed by itself when the ensemble is
reconciled with the forecast. Invented."""


@dataclass(frozen=True)
class Ensemble:
    """Simulated packs that stand for one real pack.

    Attributes
    ----------
    ready : Ready
        m packs, used as the real one is planned to be; the same simulated pack may be there several times.
    source : int array, shape (m,)
        Which pack of the bank each one is.
    effective : float
        How many equally good packs of the bank the weights amount to: 1 / Σ w².
    """

    ready: Ready
    source: Rows
    effective: float


def ensemble_of(
    bank: FamilyBank, x: pd.DataFrame, summary: Floats, origin: datetime, count: int, rng: np.random.Generator
) -> Ensemble:
    """Draw simulated packs that stand for a real one, used as it is planned to be.

    Parameters
    ----------
    x : DataFrame, shape (1, features)
    summary : array, shape (k,)
        What the forecaster concludes from `x`.
    origin : datetime
        With offset.
    count : int
        Packs to draw.
    """
    weights = bank.weights(summary)
    source = draw_by_weight(weights, count, rng)
    row = x.iloc[0]
    known = {name: float(row[name]) for name in ("km_per_day", "trips_per_day", "parked_days_in_30", "ambient_c")}
    today = day_of_year(float(to_days(pd.DatetimeIndex([origin]))[0]))
    ready = with_known_use(bank.packs(source), known, today, rng)
    return Ensemble(ready, source, float(1 / (weights**2).sum()))


def draw_by_weight(weights: Floats, count: int, rng: np.random.Generator) -> Rows:
    """Draw rows systematically: each comes as often as its weight says, give or take one."""
    steps = (rng.random() + np.arange(count)) / count
    found = np.searchsorted(np.cumsum(weights), steps * weights.sum())
    return np.asarray(np.minimum(found, len(weights) - 1), dtype=np.intp)


def reconciled_weights(returned: Floats, survival: Floats) -> Floats:
    """Weigh runs so that their return days under the present plan follow a hold curve.

    Parameters
    ----------
    returned : array, shape (n,)
        Day of return of each run; infinity beyond the horizon.
    survival : array, shape (len(DAYS),)

    Returns
    -------
    array, shape (n,)
        Sums to 1. Runs of one stretch of days weigh the same: of all weights that give the curve, those nearest to
        equal ones (least relative entropy). Stretches with hardly a run are joined to the next.
    """
    wanted = np.append(survival[:-1] - survival[1:], survival[-1])
    place = np.searchsorted(DAYS[1:], returned, side="left")
    count = np.bincount(place, minlength=len(wanted)).astype(np.float64)
    group, have, groups = 0, 0.0, np.zeros(len(wanted), dtype=np.intp)
    for k in range(len(wanted)):
        groups[k] = group
        have += count[k]
        if have >= LEAST_PATHS and count[k + 1 :].sum() >= LEAST_PATHS:
            group, have = group + 1, 0.0
    share = np.bincount(groups, wanted) / np.bincount(groups, count)
    weight = share[groups[place]]
    return np.asarray(weight / weight.sum())
