"""Simulated packs run forward under several plans at once, every plan meeting the same days and the same luck."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Floats, Rows
from models.base.day_grid import HORIZON_DAYS
from models.interventions.plans import Plan, planned_state, planned_use
from models.packs.family import PackFamily
from models.physics.cell_curves import CurveLookup
from models.physics.day_step import DayDraws, draw_day, run_day
from models.physics.monitor import MonitorDraws
from models.physics.pack_state import PackState, rows_of
from models.physics.use_process import UseDraws, UseProcess, draw_use, use_of_day

FIRST_TRIP_DAY: Final = 0.5 / 24
"""Time from the morning on which a run starts to the first trip, days: half an hour. Invented."""

DRIVING_DAY: Final = 0.5
"""Length of the part of a day in which trips are made, days. Invented."""

LEAST_DRIVING: Final = 0.7
"""Share of rows still driving below which the others are dropped. Changes no answer."""

LUCK: Final = 18
"""Seed of the random numbers that every real pack meets. Any number would do."""


def common_luck() -> np.random.Generator:
    """Return the same random numbers for every pack: a name says nothing of a pack, and a hair's change changes little.

    Common random numbers, as between the plans of one pack: what two answers differ in lies in their evidence alone.
    """
    return np.random.default_rng(LUCK)


@dataclass(frozen=True)
class Ready:
    """Packs of one family on the morning from which they are run forward.

    Attributes
    ----------
    state : PackState
        n packs.
    day : array, shape (n,)
        Days after day 0 of each pack's use.
    block : int array, shape (n,)
        The block topped last, from 0.
    """

    family: PackFamily
    state: PackState
    use: UseProcess
    day: Floats
    block: Rows

    @property
    def packs(self) -> int:
        """Number of packs."""
        return len(self.day)

    def take(self, rows: Rows | NDArray[np.bool_]) -> Ready:
        """Copy some packs."""
        return Ready(self.family, self.state.take(rows), self.use.take(rows), self.day[rows], self.block[rows])

    @classmethod
    def concatenate(cls, parts: Sequence[Ready]) -> Ready:
        """Join packs of the same family."""
        return cls(
            parts[0].family,
            PackState.concatenate([p.state for p in parts]),
            _joined([p.use for p in parts]),
            np.concatenate([p.day for p in parts]),
            np.concatenate([p.block for p in parts]),
        )

    def repeat(self, times: int) -> Ready:
        """Copy every pack `times` times, copies of one next to each other."""
        return self.take(np.repeat(np.arange(self.packs), times))


def run_plans(
    packs: Ready,
    plans: Sequence[Plan],
    rng: np.random.Generator,
    horizon_days: float = HORIZON_DAYS,
    look: Callable[[int, Rows, Rows, PackState, UseProcess], None] | None = None,
    look_on: Collection[int] = (),
) -> Floats:
    """Drive packs forward under every plan; nobody intervenes beyond the plan.

    Parameters
    ----------
    packs : Ready
        n packs.
    rng : Generator
        Draws are made for n packs and shared by the plans: common random numbers.
    look : callable, optional
        Called before the first trip of some days with the day, plan and pack of each row still driving, their state
        and use.
    look_on : collection of int
        These days.

    Returns
    -------
    array, shape (len(plans), n)
        Days to the confirmation of the fault; infinity if it did not come within the horizon.
    """
    family, n = packs.family, packs.packs
    lookup = CurveLookup.of(family.curves)
    state = PackState.concatenate([planned_state(p, family, packs.state, packs.block) for p in plans])
    use = _joined([planned_use(p, packs.use) for p in plans])
    row = np.arange(len(plans) * n)
    waits = np.repeat(np.array([p.start_after_days for p in plans], dtype=np.int64), n)
    day = np.tile(packs.day, len(plans))
    driving = np.ones(len(row), dtype=np.bool_)
    found = np.full(len(row), np.inf)
    for step in range(int(np.ceil(horizon_days))):
        # Packs that are back cost time until the others are copied together, which costs time too.
        if driving.mean() < LEAST_DRIVING or (step in look_on and not driving.all()):
            state, use = state.take(driving), use.take(driving)
            day, row, waits = day[driving], row[driving], waits[driving]
            driving = np.ones(len(row), dtype=np.bool_)
            if not len(row):
                break
        if look is not None and step in look_on:
            look(step, row // n, row % n, state, use)
        today = use_of_day(
            family, use, day + step, _shared_use(draw_use(rng, n), row % n), state.clog, idle=waits > step
        )
        confirmed, share = run_day(family, lookup, state, today, _shared_day(draw_day(rng, n, state.blocks), row % n))
        confirmed &= driving
        found[row[confirmed]] = step + FIRST_TRIP_DAY + DRIVING_DAY * share[confirmed].astype(np.float64)
        driving &= ~confirmed
    found[found > horizon_days] = np.inf
    return found.reshape(len(plans), n)


def _joined(parts: Sequence[UseProcess]) -> UseProcess:
    return UseProcess(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(UseProcess)})


def _shared_use(draws: UseDraws, pack_of: Rows) -> UseDraws:
    return UseDraws(draws.km_z[pack_of], draws.weather_z[pack_of], draws.trips_u[pack_of])


def _shared_day(draws: DayDraws, pack_of: Rows) -> DayDraws:
    monitor = MonitorDraws(rows_of(draws.monitor.severity_z, pack_of), rows_of(draws.monitor.runs_u, pack_of))
    return DayDraws(rows_of(draws.wander_z, pack_of), draws.centre_z[pack_of], monitor, draws.event_u[pack_of])
