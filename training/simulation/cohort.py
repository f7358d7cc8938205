"""Simulated cohorts: many cells, in parallel, as tables or as Parquet partitions, with the hidden truth beside them.

Everything here is invented data, made by physics and documented priors, for training, demonstration and checks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np
import pandas as pd
from joblib import Parallel, delayed

from models.base.errors import BadInput
from models.packs.family import PackFamily
from models.packs.fields import columns_of
from models.packs.history import BlockReading
from models.packs.tables import VOLT_DECIMALS, HistoryTables, block_column, from_days
from models.physics.use_process import YEAR_DAYS
from training.files.families import load_families
from training.files.ranges import require_ranges
from training.simulation.cohort_batch import CELL_PACKS, CellRecord, CellRun
from training.simulation.hidden import weakness
from training.simulation.meters import STATES, MeterQuality
from training.simulation.places import PLACES, place_of
from training.simulation.population import KIND_OF_CONDITION
from training.simulation.workshop import WorkshopHabits
from training.simulation.world import USUAL_WORLD, PackLaws, Ways, World, draw_worlds, worlds_table

DEFAULT_DAYS: Final = 180
FIRST_DAY: Final = 18_993.0
"""Day 0 of the earliest pack: 1 January 2022, in days since 1970."""

MOST_IN_MEMORY: Final = 200_000
"""Packs that `simulate_cohort` holds at once: about 1.5 GB of tables."""

FAMILY_SHARES: Final[Mapping[str, float]] = {
    "chert-30": 0.1,
    "flint-40": 0.18,
    "gravel-14": 0.14,
    "loess-28": 0.1,
    "marl-28": 0.28,
    "shale-20": 0.2,
}
"""Mix of a cohort when no family is named. Invented. Families of the user's own come in only when named, or when none
of these is among the families handed in."""

GENERIC_CODE: Final = "P0A80"
"""'Replace Hybrid Battery Pack', a generic code (SAE J2012-DA, ISO 15031-6)."""

REST_AFTER_DAYS: Final = 3.0
"""A rest reading within this time after a charge is noted in its row."""

Progress = Callable[[int, int], None]
Run = TypeVar("Run", bound=CellRun)


@dataclass(frozen=True)
class CohortPlan:
    """What to simulate. The same plan always gives the same bytes, whatever the number of workers.

    Attributes
    ----------
    families : tuple of str
        Empty for the shipped mix.
    places : tuple of str
        Empty for all.
    days : int
        Days followed after the first fault.
    first_fault_day : tuple of int
        Days of the year between which first faults fall.
    years : int
        Years over which they are spread.
    worlds : int or None
        Worlds drawn (`training.simulation.world.draw_worlds`), over which the packs are spread evenly; None for the
        usual world alone.
    world_seed : int or None
        Seeds them; None for the seed of the packs.
    only, without : mapping of str to collection of str
        Ways of a world's switches that alone come up, or do not.
    keep_states : bool
        Keep the hidden state at releases and some later days, for the true distribution (about 60 bytes a block).
    """

    packs: int
    seed: int
    families: tuple[str, ...] = ()
    places: tuple[str, ...] = ()
    days: int = DEFAULT_DAYS
    habits: WorkshopHabits = field(default_factory=WorkshopHabits)
    meters: MeterQuality = field(default_factory=MeterQuality)
    first_fault_day: tuple[int, int] = (0, 365)
    years: int = 3
    keep_states: bool = False
    worlds: int | None = None
    world_seed: int | None = None
    only: Ways = field(default_factory=dict)
    without: Ways = field(default_factory=dict)

    def drawn_worlds(self) -> tuple[World, ...]:
        """Return the worlds that its packs are spread over."""
        if self.worlds is None:
            return (USUAL_WORLD,)
        seed = self.seed if self.world_seed is None else self.world_seed
        return draw_worlds(self.worlds, seed, only=self.only, without=self.without)

    def __post_init__(self) -> None:
        if self.packs < 1:
            raise BadInput.one("packs", f"{self.packs} packs cannot be simulated.", "Ask for at least one pack.")
        if not 30 <= self.days <= 1000:
            raise BadInput.one("days", f"{self.days} days cannot be simulated.", "Choose 30 to 1000 days.")
        require_ranges(self, {"seed": (0, 2**63 - 1), "years": (1, 50)})
        if self.worlds is not None and not 1 <= self.worlds <= self.packs:
            raise BadInput.one(
                "worlds",
                f"{self.worlds} worlds cannot be shared by {self.packs} packs.",
                "Ask for at least one world, and a pack for each.",
            )
        low, high = self.first_fault_day
        if not 0 <= low < high <= 1000:
            raise BadInput.one(
                "first_fault_day",
                f"{low} to {high} is no span of days.",
                "Give two days of the year, the earlier first.",
            )
        for name in ("families", "places"):
            given = getattr(self, name)
            if len(set(given)) != len(given):
                raise BadInput.one(name, f"names one of {', '.join(given)} twice.", "Name each once.")
        for place in self.places:
            place_of(place)


@dataclass(frozen=True)
class Cohort:
    """A simulated cohort.

    Attributes
    ----------
    tables : HistoryTables
        What people saw and wrote down.
    truth : DataFrame
        ``pack_id``, ``kind``, ``condition``, ``weak_block`` (from 1), ``place``, ``family``, ``deficit_ah``, ``day0``
        (days since 1970), ``cell``, ``row``, ``world`` (from 0) and `training.simulation.hidden.weakness`; what nobody
        saw.
    cells : list of CellRecord
        Kept only with ``keep_states``.
    worlds : DataFrame
        One row for each world: `training.simulation.world.worlds_table`.
    """

    tables: HistoryTables
    truth: pd.DataFrame
    cells: list[CellRecord]
    worlds: pd.DataFrame


@dataclass(frozen=True)
class CellTask:
    """One cell to simulate: its packs are those from `first` on; `index` seeds it."""

    family: PackFamily
    packs: int
    first: int
    index: int


def cell_tasks(plan: CohortPlan, families: Mapping[str, PackFamily]) -> list[CellTask]:
    """Divide a plan into cells, in order.

    Raises
    ------
    BadInput
        If the plan names a family that is not known, or there is none.
    """
    for name in plan.families:
        if name not in families:
            raise BadInput.one(
                "family",
                f"'{name}' is not a known family.",
                f"Choose one of {', '.join(families)}, or add a family file.",
            )
    usual = {name: share for name, share in FAMILY_SHARES.items() if name in families}
    shares = dict.fromkeys(plan.families, 1.0) or usual or dict.fromkeys(families, 1.0)
    if not shares:
        raise BadInput.one("families", "holds no family.", "Give at least one family file.")
    total = sum(shares.values())
    bounds = np.round(np.cumsum([s / total for s in shares.values()]) * plan.packs).astype(int)
    tasks: list[CellTask] = []
    first = 0
    for name, end in zip(shares, bounds, strict=True):
        while first < end:
            size = int(min(CELL_PACKS, end - first))
            tasks.append(CellTask(families[name], size, first, len(tasks)))
            first += size
    return tasks


def run_of(plan: CohortPlan, task: CellTask, kind: Callable[..., Run]) -> Run:
    """Set up the run of a cell: a `CellRun`, or one that also watches."""
    rng = np.random.Generator(np.random.SFC64(np.random.SeedSequence([plan.seed, task.index])))
    places = [place_of(name) for name in (plan.places or tuple(PLACES))]
    worlds = plan.drawn_worlds()
    return kind(
        task.family,
        places,
        task.packs,
        plan.days,
        rng,
        plan.habits,
        plan.meters,
        plan.first_fault_day,
        plan.keep_states,
        PackLaws(worlds, np.arange(task.first, task.first + task.packs) % len(worlds)),
    )


def cell_tables(plan: CohortPlan, task: CellTask, record: CellRecord) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Lay a cell's record out as tables, and the hidden truth of its packs beside them."""
    n, population = task.packs, record.population
    ids = np.array([f"SIM-{plan.seed}-{i:07d}" for i in range(task.first, task.first + n)], dtype=object)
    # Whole days: a visit in the morning stays one in every year.
    day0 = (
        FIRST_DAY
        + population.use.start_day_of_year.astype(np.float64)
        + np.floor(YEAR_DAYS * (np.arange(n) // (plan.worlds or 1) % plan.years))
    )

    def columns(table: Mapping[str, Any]) -> dict[str, Any]:
        pack = table["pack"].astype(np.intp)
        # Times are kept in whole seconds, as people write them.
        out: dict[str, Any] = {"pack_id": ids[pack], "time": from_days(day0[pack] + table["day"].astype(np.float64))}
        return out | {k: v for k, v in table.items() if k not in ("pack", "day", "block_v", "block", "release_day")}

    readings = pd.DataFrame(columns(record.readings))
    readings["state"] = np.array(STATES, dtype=object)[record.readings["state"].astype(int)]
    for column in columns_of(BlockReading):  # nobody looks a pack over, and no scan tool tells of its controller
        if column.optional and column.name not in readings:
            unknown = np.nan if column.kind == "number" else None
            readings[column.name] = np.full(len(readings), unknown, dtype=float if column.kind == "number" else object)
    volts = record.readings["block_v"]
    blocks = pd.DataFrame({block_column(b + 1): volts[:, b] for b in range(volts.shape[1])})
    readings = pd.concat([readings, blocks], axis=1)
    topups = pd.DataFrame(columns(record.topups))
    topups.insert(2, "blocks", (record.topups["block"].astype(int) + 1).astype(str).astype(object))
    topups = _with_rest_after(topups, record)
    for name in ("end_v_at", "charged_part", "also_done"):
        topups[name] = np.full(len(topups), None, dtype=object)  # whole blocks are charged, and nothing else is done
    usage = pd.DataFrame(columns(record.usage))
    outcomes = pd.DataFrame(columns(record.outcomes))
    outcomes["code"] = outcomes["kind"].map({"returned": GENERIC_CODE}).astype(object).where(lambda c: c.notna(), None)
    pack = record.outcomes["pack"].astype(np.intp)
    driven = population.use.planned_km_per_day()[pack] * record.outcomes["day"].astype(np.float64)
    outcomes["odometer_km"] = np.round(population.odometer_km[pack] + driven)
    outcomes["found"] = np.full(len(outcomes), None, dtype=object)  # nobody opened a pack to look
    packs = pd.DataFrame(
        {
            "pack_id": ids,
            "family": np.full(n, record.family.name, dtype=object),
            "age_years": np.round(population.age_years.astype(np.float64), 1),
            "odometer_km": np.round(population.odometer_km.astype(np.float64), -2),
        }
    )
    hide = np.random.Generator(np.random.SFC64(np.random.SeedSequence([plan.seed, task.index, 1]))).random((n, 2))
    packs.loc[hide[:, 0] < 0.15, "age_years"] = np.nan
    packs.loc[hide[:, 1] < 0.15, "odometer_km"] = np.nan
    frames = {
        "packs": packs,
        "readings": readings.sort_values(["pack_id", "time"], kind="stable", ignore_index=True),
        "topups": topups.sort_values(["pack_id", "time"], kind="stable", ignore_index=True),
        "usage": usage.sort_values(["pack_id", "time"], kind="stable", ignore_index=True),
        "outcomes": outcomes.sort_values(["pack_id", "time"], kind="stable", ignore_index=True),
    }
    truth = pd.DataFrame(
        {
            "pack_id": ids,
            "kind": [KIND_OF_CONDITION[c] for c in population.condition],
            "condition": population.condition,
            "weak_block": population.weak_block + 1,
            "place": population.place,
            "family": np.full(n, record.family.name, dtype=object),
            "deficit_ah": population.deficit_ah.astype(np.float64),
            "day0": day0,
            "cell": task.index,
            "row": np.arange(n),
            "world": population.laws.world,
        }
        | weakness(record.family, population)
    )
    return frames, truth


def _with_rest_after(topups: pd.DataFrame, record: CellRecord) -> pd.DataFrame:
    """Note the topped block's rest voltage at release in the top-up's own row, where it was read."""
    raw, tops = record.readings, record.topups
    rest = raw["state"].astype(int) == STATES.index("rest")
    shots = pd.DataFrame(
        {"pack": raw["pack"][rest], "day": raw["day"][rest].astype(float), "row": np.flatnonzero(rest)}
    )
    ends = pd.DataFrame(
        {
            "pack": tops["pack"],
            "day": tops["day"].astype(float),
            "block": tops["block"],
            "order": np.arange(len(tops["pack"])),
        }
    )
    near = pd.merge_asof(
        ends.sort_values("day", kind="stable"),
        shots.sort_values("day", kind="stable").rename(columns={"day": "seen"}),
        left_on="day",
        right_on="seen",
        by="pack",
        direction="forward",
        tolerance=REST_AFTER_DAYS,  # type: ignore[arg-type]  # the stubs know times only
    ).sort_values("order", kind="stable")
    found = near["row"].notna().to_numpy()
    out = topups.copy()
    after_v, after_h = np.full(len(out), np.nan), np.full(len(out), np.nan)
    rows = near["row"].to_numpy()[found].astype(np.intp)
    after_v[found] = raw["block_v"][rows, near["block"].to_numpy()[found].astype(np.intp)]
    after_h[found] = np.round((near["seen"] - near["day"]).to_numpy()[found] * 24, 1)
    thin = out["charge_ah"].isna() & out["end_v"].isna() & out["duration_h"].isna()
    out["rest_after_v"] = np.where(thin, np.nan, after_v.round(VOLT_DECIMALS))
    out["rest_after_h"] = np.where(thin | np.isnan(after_v), np.nan, after_h)
    return out


def iterate_cells(
    plan: CohortPlan, families: Mapping[str, PackFamily], *, workers: int = 1, progress: Progress | None = None
) -> Iterator[tuple[dict[str, pd.DataFrame], pd.DataFrame, CellRecord | None]]:
    """Simulate cell by cell, in order, holding no more than a few cells in memory at once.

    Parameters
    ----------
    workers : int
        Processes; 1 runs in this one.
    progress : callable, optional
        Called with packs done and packs in all.

    Yields
    ------
    frames, truth, record
        The five tables of the cell, its hidden truth, and the record (only with ``keep_states``).
    """
    if workers < 1:
        raise BadInput.one("workers", f"{workers} processes cannot simulate.", "Choose at least 1.")
    tasks = cell_tasks(plan, families)

    def one(task: CellTask) -> tuple[dict[str, pd.DataFrame], pd.DataFrame, CellRecord | None]:
        record = run_of(plan, task, CellRun).run()
        frames, truth = cell_tables(plan, task, record)
        return frames, truth, record if plan.keep_states else None

    done = 0
    pool = Parallel(n_jobs=workers, return_as="generator", pre_dispatch="2*n_jobs", batch_size=1)
    for task, result in zip(tasks, pool(delayed(one)(t) for t in tasks), strict=True):
        done += task.packs
        if progress is not None:
            progress(done, plan.packs)
        yield result


def joined(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Stack tables of cells whose packs have different numbers of blocks; absent blocks are NaN."""
    widest = max(parts, key=lambda p: p.shape[1])
    out: dict[str, Any] = {}
    for name in widest.columns:
        if name == "time":
            out[name] = pd.DatetimeIndex(
                np.concatenate([p[name].dt.tz_localize(None).to_numpy() for p in parts])
            ).tz_localize("UTC")
        else:
            absent = np.float32(np.nan)
            out[name] = np.concatenate([p[name].to_numpy() if name in p else np.full(len(p), absent) for p in parts])
    return pd.DataFrame(out)


def simulate_cohort(
    plan: CohortPlan,
    *,
    families: Mapping[str, PackFamily] | None = None,
    workers: int = 1,
    progress: Progress | None = None,
) -> Cohort:
    """Simulate a cohort in memory, up to `MOST_IN_MEMORY` packs.

    Raises
    ------
    BadInput
        If the plan asks for something impossible, or for more than fits in memory; the field is named.
    """
    if plan.packs > MOST_IN_MEMORY:
        raise BadInput.one(
            "packs",
            f"{plan.packs} packs are more than the {MOST_IN_MEMORY} that are simulated in memory.",
            "Simulate to disk with write_cohort, which holds a few thousand packs at a time.",
        )
    known = load_families() if families is None else families
    parts = list(iterate_cells(plan, known, workers=workers, progress=progress))
    frames = {name: joined([p[0][name] for p in parts]) for name in parts[0][0]}
    truth = joined([p[1] for p in parts])
    cells = [p[2] for p in parts if p[2] is not None]
    return Cohort(HistoryTables(**frames, families=known), truth, cells, worlds_table(plan.drawn_worlds()))


def write_cohort(
    folder: Path,
    plan: CohortPlan,
    *,
    families: Mapping[str, PackFamily] | None = None,
    workers: int = 1,
    cells_per_part: int = 10,
    progress: Progress | None = None,
) -> int:
    """Simulate straight to disk, as ``<table>/part-00000.parquet`` …, ``truth`` among them.

    Parameters
    ----------
    folder : Path
        Made if needed; must not hold an earlier cohort.
    cells_per_part : int
        Cells (of up to 1000 packs) in a partition; it changes how rows are cut into files, never the rows.

    Returns
    -------
    int
        Number of partitions. Memory does not grow with the number of packs.

    Raises
    ------
    BadInput
        If the folder already holds a cohort, or the plan is impossible.
    """
    known = load_families() if families is None else families
    if cells_per_part < 1:
        raise BadInput.one("cells_per_part", f"{cells_per_part} cells make no partition.", "Choose at least 1.")
    if any(folder.glob("*/part-*.parquet")):
        raise BadInput.one(
            str(folder.name), "already holds a cohort.", "Choose an empty folder, or remove the old cohort first."
        )
    waiting: list[tuple[dict[str, pd.DataFrame], pd.DataFrame]] = []
    parts = 0

    def flush() -> None:
        nonlocal parts
        frames = {name: joined([w[0][name] for w in waiting]) for name in waiting[0][0]}
        frames["truth"] = joined([w[1] for w in waiting])
        for name, frame in frames.items():
            (folder / name).mkdir(parents=True, exist_ok=True)
            frame.to_parquet(folder / name / f"part-{parts:05d}.parquet", index=False)
        waiting.clear()
        parts += 1

    for frames, truth, _ in iterate_cells(plan, known, workers=workers, progress=progress):
        waiting.append((frames, truth))
        if len(waiting) == cells_per_part:
            flush()
    if waiting:
        flush()
    return parts
