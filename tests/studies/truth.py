"""The true distribution of the return day, given everything that is hidden: by simulating forward again and again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from models.base.day_grid import DAYS, HORIZON_DAYS
from models.packs.family import PackFamily
from models.packs.tables import from_days
from models.physics.cell_curves import CurveLookup
from models.physics.day_step import draw_day, run_day
from models.physics.pack_state import PackState
from models.physics.use_process import UseProcess, draw_use, use_of_day
from training.simulation.cohort import Cohort
from training.simulation.cohort_batch import DRIVING_HOURS, FIRST_TRIP_HOUR, RELEASE_HOUR, CellRecord

CHUNK_PACKS = 1000


def simulate_return_days(
    family: PackFamily,
    state: PackState,
    use: UseProcess,
    day: NDArray[np.float64],
    rng: np.random.Generator,
    horizon: float = HORIZON_DAYS,
) -> NDArray[np.float64]:
    """Drive packs forward from a morning until their fault is confirmed again; nobody intervenes.

    Parameters
    ----------
    family : PackFamily
    state : PackState
        n packs; copied first.
    use : UseProcess
    day : array, shape (n,)
        Day of each pack on which it starts.
    rng : Generator
    horizon : float
        Days to follow.

    Returns
    -------
    array, shape (n,)
        Days from `RELEASE_HOUR` of the start day to the confirmation; infinity if it did not happen in time.
    """
    lookup = CurveLookup.of(family.curves)
    state = state.take(np.arange(state.packs))
    found = np.full(state.packs, np.inf)
    alive = np.arange(state.packs)
    for step in range(int(np.ceil(horizon)) + 1):
        use_today = use_of_day(family, use, day + step, draw_use(rng, len(alive)), state.clog)
        confirmed, share = run_day(family, lookup, state, use_today, draw_day(rng, len(alive), state.blocks))
        hours = FIRST_TRIP_HOUR + DRIVING_HOURS * share[confirmed].astype(np.float64) - RELEASE_HOUR
        found[alive[confirmed]] = step + hours / 24
        if confirmed.any():
            keep = ~confirmed
            alive, state, use, day = alive[keep], state.take(keep), use.take(keep), day[keep]
        if not len(alive):
            break
    return found


@dataclass(frozen=True)
class TrueCurves:
    """The limit of what any forecaster could say.

    Attributes
    ----------
    moments : DataFrame, m rows
        ``pack_id`` and ``origin``.
    survival : array, shape (m, len(DAYS))
        Share of replicates still holding.
    """

    moments: pd.DataFrame
    survival: NDArray[np.float64]


def true_curves(
    cohort: Cohort,
    *,
    replicates: int = 100,
    seed: int = 0,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> TrueCurves:
    """Simulate the true hold curves at every kept moment of a cohort.

    Parameters
    ----------
    cohort : Cohort
        Simulated with ``keep_states``.
    replicates : int
        Runs forward from each state; the curves' standard error is at most 0.5 / sqrt(replicates).
    seed : int
    workers : int
        Processes.
    progress : callable, optional
        Called with cells done and cells in all.

    Returns
    -------
    TrueCurves
        In order of cell, pack and day.
    """
    place = {
        (cell, row): i for i, (cell, row) in enumerate(zip(cohort.truth["cell"], cohort.truth["row"], strict=True))
    }
    ids, day0 = cohort.truth["pack_id"].to_numpy(dtype=object), cohort.truth["day0"].to_numpy(np.float64)
    kept = [
        (index, record)
        for index, record in zip(sorted(set(cohort.truth["cell"])), cohort.cells, strict=True)
        if record.states is not None
    ]
    pool = Parallel(n_jobs=workers, return_as="generator", batch_size=1)
    curves: list[NDArray[np.float64]] = []
    parts: list[pd.DataFrame] = []
    for done, ((index, record), curve) in enumerate(
        zip(
            kept, pool(delayed(_cell_curves)(record, replicates, [seed, index]) for index, record in kept), strict=True
        ),
        start=1,
    ):
        states = record.states
        assert states is not None
        rows = np.array([place[(index, r)] for r in states.pack], dtype=np.intp)
        origin = from_days(np.asarray(day0[rows] + states.day + RELEASE_HOUR / 24 + 0.04, dtype=np.float64))
        parts.append(pd.DataFrame({"pack_id": ids[rows], "origin": origin}))
        curves.append(curve)
        if progress is not None:
            progress(done, len(kept))
    return TrueCurves(pd.concat(parts, ignore_index=True), np.concatenate(curves))


def _cell_curves(record: CellRecord, replicates: int, seed: list[int]) -> NDArray[np.float64]:
    states = record.states
    assert states is not None
    rng = np.random.default_rng(seed)
    held = np.zeros((len(states.pack), len(DAYS)))
    per_chunk = max(CHUNK_PACKS // replicates, 1)
    for first in range(0, len(states.pack), per_chunk):
        rows = np.arange(first, min(first + per_chunk, len(states.pack)))
        state, use = states.state.take(rows).repeat(replicates), states.use.take(rows).repeat(replicates)
        day = np.repeat(states.day[rows].astype(np.float64), replicates)
        found = simulate_return_days(record.family, state, use, day, rng)
        held[rows] = (found.reshape(len(rows), replicates)[:, :, None] > DAYS).mean(axis=1)
    return held
