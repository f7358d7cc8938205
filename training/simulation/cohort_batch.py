"""A cell: up to a thousand packs of one family followed from their first fault, with everything people saw of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Rows
from models.packs.family import PackFamily
from models.physics.cell_curves import CurveLookup
from models.physics.day_step import draw_day, recentre, run_day, top_up
from models.physics.imbalance import pack_median_v
from models.physics.pack_state import PackState
from models.physics.use_process import UseProcess, draw_use, use_of_day
from training.simulation.meters import STATES, MeterQuality, PackMeters, Snapshot, VisitFaults, read_blocks
from training.simulation.places import Place
from training.simulation.population import Population, draw_population
from training.simulation.workshop import WorkshopHabits, believed_weak, charge_block
from training.simulation.world import PackLaws
from training.simulation.world_places import PackHabits, habits_in, meters_in

CELL_PACKS: Final = 1000
"""Packs simulated together: small enough for the processor's cache, and the unit of reproducibility."""

LET_GO_SHARE: Final = 0.1
"""Share of finished packs at which they leave the hidden state: copying it costs about a tenth of a day's work."""

ARRIVAL_HOUR, RELEASE_HOUR, RECHECK_HOUR, SWAP_HOUR, EVENING_HOUR = 10.0, 8.0, 7.5, 9.5, 21.0
FIRST_TRIP_HOUR, DRIVING_HOURS = 8.5, 12.0


@dataclass
class Columns:
    """Rows of one table, collected as arrays and joined at the end."""

    parts: dict[str, list[NDArray[np.generic]]] = field(default_factory=dict)

    def add(self, **columns: NDArray[np.generic]) -> None:
        """Add some rows."""
        for name, values in columns.items():
            self.parts.setdefault(name, []).append(values)

    def joined(self) -> dict[str, NDArray[np.generic]]:
        """Return each column as one array."""
        return {name: np.concatenate(parts) for name, parts in self.parts.items()}


@dataclass
class HiddenStates:
    """Hidden state of packs at some of their moments, for the true distribution of the return day.

    Attributes
    ----------
    pack : int array, shape (m,)
        Row of the pack in its cell.
    day : int array, shape (m,)
        Days after the pack's day 0; the state is that of the morning, after the readings and before the first trip.
    """

    pack: Rows
    day: NDArray[np.int64]
    state: PackState
    use: UseProcess


@dataclass
class CellRecord:
    """What a cell leaves behind.

    Attributes
    ----------
    population : Population
        With the state as it came in (it is copied before the days run).
    readings, topups, usage, outcomes : dict of str to array
        Columns; ``pack`` is the row in the cell, ``day`` the time in days after the pack's day 0.
    states : HiddenStates or None
        At every release, and on one random later day of each top-up that is still holding then.
    """

    family: PackFamily
    population: Population
    readings: dict[str, NDArray[np.generic]]
    topups: dict[str, NDArray[np.generic]]
    usage: dict[str, NDArray[np.generic]]
    outcomes: dict[str, NDArray[np.generic]]
    states: HiddenStates | None


class CellRun:
    """The days of one cell. One object a run; `run` may be called once."""

    def __init__(
        self,
        family: PackFamily,
        places: Sequence[Place],
        packs: int,
        days: int,
        rng: np.random.Generator,
        habits: WorkshopHabits,
        meters: MeterQuality,
        first_fault_day: tuple[int, int],
        keep_states: bool,
        laws: PackLaws | None = None,
    ) -> None:
        self.family, self.days, self.rng = family, days, rng
        self.keep_states = keep_states
        self.lookup = CurveLookup.of(family.curves)
        self.population = draw_population(family, places, packs, rng, first_fault_day, laws)
        self.laws = laws = self.population.laws
        self.habits = PackHabits([habits_in(world, habits) for world in laws.worlds], laws.world)
        self.meters = PackMeters([meters_in(world, meters) for world in laws.worlds], laws.world)
        n = packs
        # Finished packs leave the hidden state: `driven` holds the packs still in it, `place` where each one stands.
        self.state = self.population.state.take(np.arange(n))
        self.driven, self.place = np.arange(n), np.arange(n)
        self.use = self.population.use
        self.readings, self.topups, self.outcomes = Columns(), Columns(), Columns()
        self.kept_states: list[HiddenStates] = []
        self.active = np.ones(n, dtype=bool)
        self.holding = np.zeros(n, dtype=bool)
        self.visit_day = np.zeros(n, dtype=np.int64)
        self.release_day = np.full(n, -1, dtype=np.int64)
        self.recheck_day = np.full((n, 2), -1, dtype=np.int64)
        self.keep_day = np.full(n, -1, dtype=np.int64)
        self.topup_count = np.zeros(n, dtype=np.int64)
        self.topped_block = np.zeros(n, dtype=np.intp)
        self.charge_end = np.zeros(n)
        self.rest_before = np.full(n, np.nan)
        self.apparent_v = np.zeros(n)
        own = self.habits
        cells = np.sqrt(family.cells_per_block / 12)
        self.channel_v = cells * self.meters.channel_sd_v[:, None] * rng.standard_normal((n, family.blocks))
        orders = rng.random(n) < own.orders_pack
        lead = own.lead_time_days * np.exp(own.lead_time_sd * rng.standard_normal(n))
        self.pack_arrives = np.where(orders & own.replaces, np.ceil(lead), 10_000).astype(np.int64)
        self.swap_day = np.full(n, 10_000, dtype=np.int64)
        lost = np.where(own.replaces, rng.standard_exponential(n) / np.maximum(own.lost_per_day, 1e-9), 1e4)
        self.lost_day = np.minimum(np.ceil(lost), 10_000).astype(np.int64)
        self.retired = rng.random(n) < 0.4
        self.thin = rng.random(n) < own.thin_share
        telematics = (rng.random(n) < own.telematics_share) & ~self.thin
        self.report_every = np.where(telematics, np.where(rng.random(n) < 0.7, 7, 1), 0)
        self.has_bench = rng.random(n) < 0.8
        self.odd_hour = rng.uniform(-0.1, 0.1, n)
        self.other_cause = laws.number("other cause")

    def run(self) -> CellRecord:
        """Simulate all days and return the record."""
        self._early_visits()
        for day in range(self.days):
            self._arrivals(day)
            self._releases(day)
            self._rechecks(day)
            self._departures(day)
            self._keep(np.flatnonzero(self.holding & (self.keep_day == day)), day)
            self._let_go()
            if not len(self.driven):
                break
            self._drive(day)
            self._reports(day)
        rows = np.flatnonzero(self.active & self.holding)
        self._outcome(rows, np.full(len(rows), float(self.days)), "running")
        return CellRecord(
            family=self.family,
            population=self.population,
            readings=self.readings.joined(),
            topups=self.topups.joined(),
            usage=self._plans(),
            outcomes=self.outcomes.joined(),
            states=self._joined_states(),
        )

    def _state_of(self, rows: Rows) -> PackState:
        """Copy the hidden state of some packs that are still followed."""
        return self.state.take(self.place[rows])

    def _let_go(self) -> None:
        """Drop finished packs from the hidden state once they are a tenth of it."""
        keep = self.active[self.driven]
        if keep.sum() <= (1 - LET_GO_SHARE) * len(keep):
            self.state, self.driven = self.state.take(keep), self.driven[keep]
            self.place[self.driven] = np.arange(len(self.driven))

    def _joined_states(self) -> HiddenStates | None:
        if not self.kept_states:
            return None
        return HiddenStates(
            np.concatenate([r.pack for r in self.kept_states]),
            np.concatenate([r.day for r in self.kept_states]),
            PackState.concatenate([r.state for r in self.kept_states]),
            UseProcess(
                **{
                    k: np.concatenate([getattr(r.use, k) for r in self.kept_states])
                    for k in vars(self.kept_states[0].use)
                }
            ),
        )

    def _outcome(self, rows: Rows, time: NDArray[np.float64], kind: str) -> None:
        self.outcomes.add(pack=rows, day=time, kind=np.full(len(rows), kind, dtype=object))
        if kind != "returned":
            self.active[rows] = False
        self.holding[rows] = False

    def _write(
        self, rows: Rows, time: NDArray[np.float64], state: str, shot: Snapshot, keep: NDArray[np.bool_]
    ) -> None:
        if keep.any():
            self.readings.add(
                pack=rows[keep],
                day=time[keep],
                state=np.full(int(keep.sum()), STATES.index(state), dtype=np.int8),
                current_a=shot.current_a[keep],
                temperature_c=np.where(self.thin[rows], np.nan, shot.temperature_c)[keep],
                block_v=shot.block_v[keep].astype(np.float32),
            )

    def _look(
        self,
        rows: Rows,
        hour: float,
        day: int,
        shares: tuple[float, float, float],
        unsettled_v: NDArray[np.float64] | float = 0.0,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Read packs at rest, under discharge and under charge, each with its share; return rest and load voltages."""
        rng, m = self.rng, len(rows)
        state = self._state_of(rows)
        ambient = self.use.take(rows).ambient_c(float(day)).astype(np.float64)
        meters = self.meters.take(rows)
        self.visit_faults = faults = VisitFaults.draw(meters, self.family.blocks, m, rng)
        clock = np.where(rng.random(m) < meters.wrong_clock, rng.uniform(-0.2, 0.2, m), 0)
        time = day + hour / 24 + 0.1 * self.odd_hour[rows] + clock
        seen = {}
        for name, share, minutes in zip(STATES, shares, (0, 20, 35), strict=True):
            bench = self.has_bench[rows] & (name == "rest")
            off_v = self.channel_v[rows] + (unsettled_v if name == "rest" else 0.0)
            shot = read_blocks(self.family, state, name, ambient, bench, faults, meters, rng, off_v)
            share_of = np.where(self.thin[rows], 1.0 if name == "rest" and hour != RECHECK_HOUR else 0.0, share)
            keep = rng.random(m) < share_of
            self._write(rows, time + minutes / 1440, name, shot, keep)
            seen[name] = np.where(keep[:, None], shot.block_v, np.nan)
        return seen["rest"], seen["discharge"]

    def _early_visits(self) -> None:
        """Look at some packs weeks before their first fault, when their deviation was smaller."""
        rng = self.rng
        early = np.flatnonzero((rng.random(len(self.active)) < 0.22) & ~self.thin)
        if not len(early):
            return
        # In the working day, like any visit.
        before = rng.integers(12, 120, len(early)) - ARRIVAL_HOUR / 24 - 0.1 * self.odd_hour[early]
        now, weak = self.state.take(early), self.population.weak_block[early]
        row = np.arange(len(early))
        rate = (now.leak_per_day + now.sick_leak_per_day)[row, weak] * now.charge_ah[row, weak]
        rate += now.drain_ah_per_day[row, weak]
        rate += now.loss_per_ah[row, weak] * self.use.km_per_day[early] * 0.03 * self.family.rated_ah * 0.8
        back = np.minimum(rate * before, self.population.deficit_ah[early] * rng.uniform(0.6, 1.0, len(early)))
        sick = now.sick_cells[row, weak] > 0
        now.charge_ah[row, weak] += np.where(sick, 0, back).astype(np.float32)
        now.sick_behind_ah[row, weak] -= np.where(sick, back, 0).astype(np.float32)
        recentre(self.family, now)
        kept, self.state = self.state, self.state.take(np.arange(self.state.packs))
        self.state.put(early, now)
        for group in range(3):
            part = early[group::3]
            if len(part):
                when = before[group::3]
                shot_rows = part
                meters = self.meters.take(part)
                faults = VisitFaults.draw(meters, self.family.blocks, len(part), rng)
                ambient = self.use.take(part).ambient_c(-when).astype(np.float64)
                name = STATES[group]
                now, bench, off_v = self.state.take(part), self.has_bench[part], self.channel_v[part]
                shot = read_blocks(self.family, now, name, ambient, bench, faults, meters, rng, off_v)
                self._write(shot_rows, -when, name, shot, np.ones(len(part), dtype=bool))
        self.state = kept

    def _arrivals(self, day: int) -> None:
        rows = np.flatnonzero(self.active & ~self.holding & (self.visit_day == day))
        if not len(rows):
            return
        rng, m = self.rng, len(rows)
        rest, load = self._look(rows, ARRIVAL_HOUR, day, (0.9, 0.75, 0.25))
        block = believed_weak(rest, load, self.family)
        wrong = rng.random(m) < self.habits.wrong_block_share[rows]
        block = np.where(wrong, (block + rng.choice([-1, 1], m)) % self.family.blocks, block)
        own = rest[np.arange(m), block]
        apparent = np.nan_to_num(np.maximum(pack_median_v(rest) - own, 0))
        ambient = self.use.take(rows).ambient_c(float(day)).astype(np.float64)
        done = charge_block(self.family, self._state_of(rows), block, apparent, ambient, rng, self.laws.take(rows))
        self._mend_joints(rows, block)
        self._stir_leaks(rows, block)
        top_up(self.state, self.place[rows], block, done.stored_ah.astype(np.float32))
        self.topped_block[rows] = block
        self.rest_before[rows] = np.where(rng.random(m) < 0.25, np.nan, own)
        self.apparent_v[rows] = apparent
        self.charge_end[rows] = day + ARRIVAL_HOUR / 24 + 0.04 + done.hours / 24
        self.release_day[rows] = np.ceil(self.charge_end[rows] + 0.2 - RELEASE_HOUR / 24).astype(np.int64) + (
            rng.random(m) < 0.2
        )
        self.topup_count[rows] += 1
        thin = self.thin[rows]
        self.topups.add(
            pack=rows,
            day=self.charge_end[rows].copy(),
            block=block,
            charge_ah=np.where(thin, np.nan, done.charge_ah),
            end_v=np.where(thin, np.nan, done.end_v),
            duration_h=np.where(thin, np.nan, done.duration_h),
            rest_before_v=np.where(thin, np.nan, self.rest_before[rows]),
            release_day=self.release_day[rows].copy(),
        )
        self.visit_day[rows] = -1
        first = self.release_day[rows][:, None] + rng.integers(2, 16, (m, 2)) * np.array([1, 2])
        second = rng.random(m) < 0.5
        recheck = (rng.random(m) < self.habits.recheck_share[rows]) & ~thin
        self.recheck_day[rows, 0] = np.where(recheck, first[:, 0], -1)
        self.recheck_day[rows, 1] = np.where(recheck & second, first[:, 1], -1)

    def _mend_joints(self, rows: Rows, block: Rows) -> None:
        """Mend some bad joints, where opening a pack and turning its screws does."""
        laws = self.laws.take(rows)
        share = np.where(laws.way("joints") == "mended", laws.number("mended joints"), 0)
        bad = (self.population.condition[rows] == "joint") & (block == self.population.weak_block[rows])
        at = self.place[rows[bad & (self.rng.random(len(rows)) < share)]]
        joint = self.state.joint_mohm[at]
        self.state.joint_mohm[at] = np.minimum(joint, np.median(joint, axis=1, keepdims=True))
        self.state.joint_growth[at] = 0

    def _stir_leaks(self, rows: Rows, block: Rows) -> None:
        """Let a topping charge change what a block loses: bridges break, or form anew."""
        sd = self.laws.take(rows).number("leak change")
        if not sd.any():
            return
        by = np.exp(sd * self.rng.standard_normal(len(rows), dtype=np.float32))
        at = (self.place[rows], block)
        self.state.leak_per_day[at] *= by
        self.state.sick_leak_per_day[at] *= by
        self.state.drain_ah_per_day[at] *= by

    def _releases(self, day: int) -> None:
        rows = np.flatnonzero(self.active & ~self.holding & (self.release_day == day))
        if not len(rows):
            return
        # Read soon after its charge, the topped block still stands high.
        laws = self.laws.take(rows)
        high_v = np.zeros((len(rows), self.family.blocks))
        soon = np.where(laws.way("rest reading") == "soon", laws.number("settle"), 0) * self.rng.uniform(
            0.3, 1.0, len(rows)
        )
        high_v[np.arange(len(rows)), self.topped_block[rows]] = soon * self.family.cells_per_block / 12
        self._look(rows, RELEASE_HOUR, day, (0.82, 0.3, 0.1), high_v)
        self.holding[rows] = True
        self.state.pending[self.place[rows]] = 0
        self._plan_swap(rows, day)
        self._keep(rows, day)
        self.keep_day[rows] = day + self.rng.integers(1, 40, len(rows))

    def _keep(self, rows: Rows, day: int) -> None:
        if self.keep_states and len(rows):
            self.kept_states.append(
                HiddenStates(rows, np.full(len(rows), day), self._state_of(rows), self.use.take(rows))
            )

    def _plan_swap(self, rows: Rows, day: int) -> None:
        """When a pack is there it goes in: soon where the readings looked bad, later where they looked well."""
        bad = self.apparent_v[rows] > 0.3 * self.family.rest_spread_limit_v
        own_turn = np.where(self.habits.worst_first[rows], np.where(bad, 3.0, 15.0), 8.0)
        delay = self.rng.exponential(own_turn)
        swap = np.maximum(self.pack_arrives[rows], day + 1) + np.floor(delay).astype(np.int64)
        self.swap_day[rows] = np.where(self.pack_arrives[rows] < 10_000, np.minimum(swap, 10_000), 10_000)

    def _rechecks(self, day: int) -> None:
        due = self.active & self.holding & (self.recheck_day == day).any(axis=1)
        rows = np.flatnonzero(due)
        if not len(rows):
            return
        rest, load = self._look(rows, RECHECK_HOUR, day, (0.75, 0.5, 0.25))
        block = self.topped_block[rows]
        for volts, limit in (
            (rest, 0.25 * self.family.rest_spread_limit_v),
            (load, 0.4 * self.family.discharge_spread_limit_v),
        ):
            below = pack_median_v(volts) - volts[np.arange(len(rows)), block]
            sunk = rows[np.nan_to_num(below) > limit]
            there = (self.pack_arrives[sunk] <= day) & self.habits.worst_first[sunk]
            self.swap_day[sunk[there]] = np.minimum(self.swap_day[sunk[there]], day + 1)
            self.apparent_v[sunk] = np.maximum(self.apparent_v[sunk], 0.4 * self.family.rest_spread_limit_v)

    def _departures(self, day: int) -> None:
        rows = np.flatnonzero(self.active & self.holding & (self.swap_day <= day))
        self._outcome(rows, day + SWAP_HOUR / 24 + 0.2 * self.odd_hour[rows], "replaced")
        gone = self.active & self.holding & (self.lost_day <= day)
        for kind, which in (("retired", gone & self.retired), ("running", gone & ~self.retired)):
            rows = np.flatnonzero(which)
            self._outcome(rows, np.full(len(rows), float(day)), kind)

    def _drive(self, day: int) -> None:
        driven = self.driven
        draws = draw_use(self.rng, len(driven))
        use = use_of_day(
            self.family, self.use.take(driven), float(day), draws, self.state.clog, idle=~self.holding[driven]
        )
        noise = draw_day(self.rng, len(driven), self.state.blocks)
        confirmed, share = run_day(self.family, self.lookup, self.state, use, noise)
        if self.other_cause.any():
            other = ~confirmed & (self.rng.random(len(driven)) < self.other_cause[driven])
            confirmed, share = confirmed | other, np.where(other, self.rng.random(len(driven)), share)
        confirmed &= self.holding[driven]
        rows = driven[confirmed]
        if not len(rows):
            return
        time = day + (FIRST_TRIP_HOUR + DRIVING_HOURS * share[confirmed].astype(np.float64)) / 24
        self._outcome(rows, time, "returned")
        again = (self.topup_count[rows] < self.habits.max_topups[rows]) & (
            self.rng.random(len(rows)) < self.habits.repeat_share[rows]
        )
        again &= self.pack_arrives[rows] > day
        self.visit_day[rows[again]] = day + 1
        self.active[rows[~again]] = False

    def _reports(self, day: int) -> None:
        every = self.report_every
        due = self.active & self.holding & (every > 0) & ((day - self.release_day) % np.maximum(every, 1) == every - 1)
        rows = np.flatnonzero(due)
        if not len(rows):
            return
        ambient = self.use.take(rows).ambient_c(float(day)).astype(np.float64)
        meters = self.meters.take(rows)
        faults = VisitFaults.draw(meters, self.family.blocks, len(rows), self.rng)
        state, no_bench = self._state_of(rows), np.zeros(len(rows), dtype=bool)
        shot = read_blocks(
            self.family, state, "discharge", ambient, no_bench, faults, meters, self.rng, self.channel_v[rows]
        )
        self._write(
            rows, np.full(len(rows), day + EVENING_HOUR / 24), "discharge", shot, np.ones(len(rows), dtype=bool)
        )

    def _plans(self) -> dict[str, NDArray[np.generic]]:
        """Write down the planned usage of each top-up, with the errors and gaps of real plans."""
        topups = self.topups.joined()
        pack, release = topups["pack"].astype(np.intp), topups["release_day"].astype(np.float64)
        rng, m = self.rng, len(pack)
        use = self.use.take(pack)
        known = ~self.thin[pack] & (rng.random(m) < 0.8)

        def noted(values: NDArray[np.floating], missing: float, places: int) -> NDArray[np.float64]:
            return np.where(rng.random(m) < missing, np.nan, np.round(values.astype(np.float64), places))[known]

        weather = use.ambient_c(release + 7.0)
        return {
            "pack": pack[known],
            "day": topups["day"][known],
            "km_per_day": noted(use.planned_km_per_day() * np.exp(0.15 * rng.standard_normal(m)), 0.05, 0),
            "trips_per_day": noted(use.trips_per_day * np.exp(0.15 * rng.standard_normal(m)), 0.3, 0),
            "ambient_c": noted(weather - use.warmth_c + 1.5 * rng.standard_normal(m), 0.1, 0),
            "parked_days_in_30": noted(use.parked_days_between(release, 30.0), 0.4, 0),
        }
