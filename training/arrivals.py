"""Packs at the moment they were read before a charge, with what was hidden then: the truth behind a missing charge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.families import PackFamily
from models.pack_state import PackState
from models.tables import HistoryTables
from models.use_process import UseProcess
from training.cohort import CohortPlan, cell_tables, cell_tasks, joined, run_of
from training.cohort_cell import CellRun, Rows
from training.families import load_families
from training.meters import Snapshot


@dataclass(frozen=True)
class ArrivalStates:
    """Hidden state of the packs of one family before each of their charges.

    Attributes
    ----------
    family : PackFamily
    rows : int array, shape (m,)
        Rows of `Arrivals.truth`.
    day : array, shape (m,)
        Days after each pack's day 0.
    state : PackState
    use : UseProcess
    """

    family: PackFamily
    rows: Rows
    day: NDArray[np.float64]
    state: PackState
    use: UseProcess


@dataclass(frozen=True)
class Arrivals:
    """Simulated packs, and the truth at each of their visits before a charge.

    Attributes
    ----------
    tables : HistoryTables
    truth : DataFrame
        One row a charge: ``pack_id``, ``family``, ``condition``, ``visit`` (from 1), ``weak_block`` (from 1),
        ``topup_time`` and ``topped_block`` of the charge that followed, ``missing_ah`` (to be stored for the weak block
        to stand at the median state of charge of the others, when the rest voltages were read), ``still_missing_ah``
        (the same right after the charge), ``lost_ah`` (what it holds less than they when level), ``block_ah`` and
        ``peer_ah`` (capacities), ``offset_ah`` (of the string relative to the centre of its swing at that moment) and
        ``bench`` (read with a bench meter).
    states : tuple of ArrivalStates
    """

    tables: HistoryTables
    truth: pd.DataFrame
    states: tuple[ArrivalStates, ...]


class _WatchedRun(CellRun):
    """A cell's days, in which each charge is preceded by a look at what nobody sees. Nothing else is changed."""

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self.seen: list[pd.DataFrame] = []
        self.states_seen: list[PackState] = []
        self._rest_offset_ah: NDArray[np.float64] = np.zeros(0)

    def _write(
        self, rows: Rows, time: NDArray[np.float64], state: str, shot: Snapshot, keep: NDArray[np.bool_]
    ) -> None:
        if state == "rest":
            self._rest_offset_ah = shot.offset_ah
        super()._write(rows, time, state, shot, keep)

    def _arrivals(self, day: int) -> None:
        rows = np.flatnonzero(self.active & ~self.holding & (self.visit_day == day))
        if not len(rows):
            return
        state, weak = self._state_of(rows), self.population.weak_block[rows]
        super()._arrivals(day)
        here = np.arange(len(rows))
        offset = self._rest_offset_ah
        capacity = state.capacity_ah.astype(np.float64)
        soc = (state.charge_ah + offset[:, None]) / capacity
        others = np.ones(soc.shape, dtype=bool)
        others[here, weak] = False
        peers_soc = np.nanmedian(np.where(others, soc, np.nan), axis=1)
        peer_ah = np.nanmedian(np.where(others, capacity, np.nan), axis=1)
        own_ah = capacity[here, weak]
        charged = self._state_of(rows).charge_ah[here, weak] - state.charge_ah[here, weak]
        self.states_seen.append(state)
        self.seen.append(
            pd.DataFrame(
                {
                    "row": rows,
                    "day": float(day),
                    "visit": self.topup_count[rows],
                    "condition": self.population.condition[rows],
                    "weak_block": weak + 1,
                    "topped_block": self.topped_block[rows] + 1,
                    "missing_ah": (peers_soc - soc[here, weak]) * own_ah,
                    "lost_ah": peers_soc * (peer_ah - own_ah),
                    "still_missing_ah": (peers_soc - soc[here, weak]) * own_ah - charged,
                    "block_ah": own_ah,
                    "peer_ah": peer_ah,
                    "offset_ah": offset,
                    "bench": self.has_bench[rows],
                }
            )
        )


def simulate_arrivals(plan: CohortPlan, *, families: Mapping[str, PackFamily] | None = None) -> Arrivals:
    """Simulate a cohort and keep the truth before each charge.

    Parameters
    ----------
    plan : CohortPlan
        Gives the same packs as `training.cohort.simulate_cohort`.
    families : mapping of str to PackFamily, optional

    Returns
    -------
    Arrivals
    """
    known = load_families() if families is None else families
    frames: list[dict[str, pd.DataFrame]] = []
    truths: list[pd.DataFrame] = []
    states: list[ArrivalStates] = []
    first = 0
    for task in cell_tasks(plan, known):
        run = run_of(plan, task, _WatchedRun)
        record = run.run()
        tables, packs = cell_tables(plan, task, record)
        seen = pd.concat(run.seen, ignore_index=True)
        seen["pack_id"] = packs["pack_id"].to_numpy()[seen["row"]]
        seen["family"] = task.family.name
        charges = tables["topups"].assign(visit=tables["topups"].groupby("pack_id").cumcount() + 1)
        charges = charges[["pack_id", "visit", "time"]].rename(columns={"time": "topup_time"})
        truth = seen.merge(charges, on=["pack_id", "visit"], how="left", validate="one_to_one")
        frames.append(tables)
        truths.append(truth)
        states.append(
            ArrivalStates(
                task.family,
                np.arange(first, first + len(truth)),
                truth["day"].to_numpy(np.float64),
                PackState.concatenate(run.states_seen),
                run.use.take(truth["row"].to_numpy(np.intp)),
            )
        )
        first += len(truth)
    tables = {name: joined([part[name] for part in frames]) for name in frames[0]}
    truth = pd.concat(truths, ignore_index=True).drop(columns=["row", "day"])
    return Arrivals(HistoryTables(**tables, families=known), truth, tuple(states))
