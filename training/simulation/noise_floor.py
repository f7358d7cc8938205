"""How well anybody could forecast who knew what is hidden in each pack: the limit of every forecaster's score.

Two runs forward from the same hidden state disagree about a day with probability 2 S (1 - S), so half their squared
difference is, without bias, the squared error that the true probability S makes on that day.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.base.day_grid import DAYS
from models.interventions.forward_runs import run_plans
from models.interventions.plans import PRESENT
from training.simulation.bank import KeptPacks

MOMENTS: Final = 4000
"""Moments whose packs are run forward; the integrated limit's standard error is then about 0.001."""

RUNS: Final = 3
"""Runs of each. For a given number of runs in all, few runs of many packs say more than many of few."""

CHUNK: Final = 4000
"""Packs driven at once."""


@dataclass(frozen=True)
class ForecastLimit:
    """The squared error of the true probabilities.

    Attributes
    ----------
    days, error, standard_error : tuple of float, length g
    integrated, integrated_standard_error : float
        Mean over the days.
    moments, runs : int
        Hidden states, and runs forward from each.
    """

    days: tuple[float, ...]
    error: tuple[float, ...]
    standard_error: tuple[float, ...]
    integrated: float
    integrated_standard_error: float
    moments: int
    runs: int


def forecast_limit(kept: KeptPacks, seed: int, moments: int = MOMENTS, runs: int = RUNS) -> ForecastLimit:
    """Find the limit by driving simulated packs forward from their hidden state.

    Parameters
    ----------
    kept : mapping
        From `training.simulation.bank.simulate_bank`: moments of packs in which nobody replaces anything.
    moments : int
        To use, drawn from all families alike; all of them if there are fewer.
    runs : int
        2 or more.
    """
    rng = np.random.default_rng([seed, 11])
    sizes = np.array([ready.packs for ready, _ in kept.values()])
    chosen = np.sort(rng.choice(sizes.sum(), min(moments, int(sizes.sum())), replace=False))
    parts = []
    for (ready, _), first, size in zip(kept.values(), np.cumsum(sizes) - sizes, sizes, strict=True):
        rows = chosen[(chosen >= first) & (chosen < first + size)] - first
        for some in np.array_split(rows, max(-(-len(rows) * runs // CHUNK), 1)):
            returns = run_plans(ready.take(some).repeat(runs), (PRESENT,), rng)[0]
            parts.append((returns.reshape(-1, runs)[:, :, None] > DAYS).mean(axis=1))
    return limit_of(np.concatenate(parts), runs)


def limit_of(held: NDArray[np.float64], runs: int) -> ForecastLimit:
    """Find the limit from the share of runs that held, shape (moments, len(DAYS))."""
    error = held * (1 - held) * runs / (runs - 1)
    whole = np.trapezoid(error, DAYS, axis=1) / DAYS[-1]
    n = len(error)
    return ForecastLimit(
        days=tuple(DAYS.tolist()),
        error=tuple(error.mean(axis=0).tolist()),
        standard_error=tuple((error.std(axis=0) / np.sqrt(n)).tolist()),
        integrated=float(whole.mean()),
        integrated_standard_error=float(whole.std() / np.sqrt(n)),
        moments=n,
        runs=runs,
    )
