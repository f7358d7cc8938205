"""Packs at the moment they were read before a charge, with what was hidden then: the truth behind a missing charge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.packs.tables import HistoryTables
from models.physics.pack_state import PackState
from models.physics.use_process import UseProcess
from training.files.families import load_families
from training.files.ranges import require_ranges
from training.simulation.cohort import CohortPlan, cell_tables, cell_tasks, joined, run_of
from training.simulation.cohort_batch import CellRun, Rows
from training.simulation.meters import Snapshot, read_at

SOONER_H: Final = 3.0
"""Hours by which a pack that is also drawn down comes in sooner, so that its charge need not wait. Invented."""


@dataclass(frozen=True)
class DrawDownHabits:
    """How workshops draw a pack down between two rest readings, before they charge its weak block. All invented.

    Attributes
    ----------
    least_share, most_share : float
        Charge drawn from the whole string, of rated capacity.
    least_c, most_c : float
        Load, in amperes per rated ampere-hour.
    unsteady : float
        Relative standard deviation of the charge drawn about current times time.
    edge_h : float
        Standard deviation of the time for which the load was on beyond the readings under it, h.
    settles_h : float
        Hours between the load and the lower rest reading.
    unsettled_v : float
        Standard deviation of what is left of the load in a block's voltage then, V per cell.
    """

    least_share: float = 0.08
    most_share: float = 0.12
    least_c: float = 0.5
    most_c: float = 1.2
    unsteady: float = 0.03
    edge_h: float = 0.01
    settles_h: float = 1.0
    unsettled_v: float = 0.001

    def __post_init__(self) -> None:
        ranges = {"least_share": (0.0, 0.5), "most_share": (self.least_share, 0.5)}
        ranges |= {"least_c": (0.1, 5.0), "most_c": (self.least_c, 5.0), "unsteady": (0.0, 1.0)}
        require_ranges(
            self, ranges | {"edge_h": (0.0, 1.0), "settles_h": (0.0, 1.5), "unsettled_v": (0.0, 0.1)}, "draw_down."
        )


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
    """A cell's days, in which each charge is preceded by a look at what nobody sees. Nothing else is changed.

    With `draw_down`, packs come in sooner and are also read drawn down; they go on as if they had not been.
    """

    def __init__(self, *args: Any, draw_down: DrawDownHabits | None, own_rng: np.random.Generator) -> None:
        super().__init__(*args)
        self.draw_down, self.own_rng = draw_down, own_rng
        self._arriving = False
        self._rest_written: tuple[NDArray[np.float64], NDArray[np.bool_]] | None = None
        self.seen: list[pd.DataFrame] = []
        self.states_seen: list[PackState] = []
        self._rest_offset_ah: NDArray[np.float64] = np.zeros(0)

    def _write(
        self, rows: Rows, time: NDArray[np.float64], state: str, shot: Snapshot, keep: NDArray[np.bool_]
    ) -> None:
        if self._arriving and self.draw_down is not None:
            time = time - SOONER_H / 24
        if state == "rest":
            self._rest_offset_ah, self._rest_written = shot.offset_ah, (time, keep)
        super()._write(rows, time, state, shot, keep)

    def _arrivals(self, day: int) -> None:
        rows = np.flatnonzero(self.active & ~self.holding & (self.visit_day == day))
        if not len(rows):
            return
        state, weak = self._state_of(rows), self.population.weak_block[rows]
        self._arriving = True
        super()._arrivals(day)
        self._arriving = False
        if self.draw_down is not None:
            self._draw_down(self.draw_down, rows, day, state)
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

    def _draw_down(self, habits: DrawDownHabits, rows: Rows, day: int, state: PackState) -> None:
        """Read packs under a load that is held, and at rest after it, where they were read at rest before it."""
        if self._rest_written is None:
            return
        (rest_time, read), family, rng, m = self._rest_written, self.family, self.own_rng, len(rows)
        current = family.rated_ah * rng.uniform(habits.least_c, habits.most_c, m)
        wanted = family.rated_ah * rng.uniform(habits.least_share, habits.most_share, m)
        held_h = wanted / current
        drawn = (wanted + current * habits.edge_h * rng.standard_normal(m)) * (
            1 + habits.unsteady * rng.standard_normal(m)
        )
        warm = self.use.take(rows).ambient_c(float(day)).astype(np.float64) + 3
        keep = read & ~self.thin[rows]
        start = rest_time + 1 / 24
        unsettled = family.cells_per_block * habits.unsettled_v * rng.standard_normal((m, family.blocks))
        for kind, time, amps, share, off_v in (
            ("discharge", start, current, 0.0, 0.0),
            ("discharge", start + held_h / 24, current, 1.0, 0.0),
            ("rest", start + (held_h + habits.settles_h) / 24, np.zeros(m), 1.0, unsettled),
        ):
            bench = self.has_bench[rows] & (kind == "rest")
            offset = self._rest_offset_ah - share * drawn
            faults, meters = self.visit_faults, self.meters.take(rows)
            shot = read_at(family, state, kind, amps, warm, offset, bench, faults, meters, rng, off_v)
            super()._write(rows, time, kind, shot, keep)


def simulate_arrivals(
    plan: CohortPlan,
    *,
    families: Mapping[str, PackFamily] | None = None,
    draw_down: DrawDownHabits | None = None,
) -> Arrivals:
    """Simulate a cohort and keep the truth before each charge.

    Parameters
    ----------
    plan : CohortPlan
        Gives the same packs as `training.simulation.cohort.simulate_cohort`.
    families : mapping of str to PackFamily, optional
    draw_down : DrawDownHabits, optional
        Packs are also drawn down before their charge, and read; all else stays the same.

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
        own_rng = np.random.default_rng([plan.seed, task.index, 1])
        run = run_of(plan, task, partial(_WatchedRun, draw_down=draw_down, own_rng=own_rng))
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
