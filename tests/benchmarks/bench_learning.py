"""What a workshop's own record adds: calibration error and coverage against the number of outcomes it holds.

    python tests/benchmarks/bench_learning.py --seeds 20

A model is trained on simulated packs of three places. A workshop at a fourth (hotter, other families, more kilometres,
meters half again as noisy) keeps a record for a year; it is as large as to hold so many known fates at the year's end.
Each line: integrated calibration error on day 14 and coverage of the 90 % bound on fresh packs of that place in which
nobody replaces anything, mean and worst over seeds (other packs in the record each time). The same again at a place
where packs hold longer than the model believes, for a reason that nobody measures (the monitor allows 1.8 times the
spread). All data are simulated (invented). Up to 100 outcomes take a few seconds a seed; from 200 on, ways
of retraining are tried on the past of each record, which takes about a minute a seed.
"""

from __future__ import annotations

import argparse
import os
import time

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from dataclasses import replace
from typing import Any

import numpy as np

from models.evidence import evidence_group
from models.tables import HistoryTables, from_days
from training.back_test import known_by
from training.cohort import FIRST_DAY, CohortPlan, simulate_cohort
from training.datasets import SurvivalRows, moments_of, survival_rows
from training.families import load_families
from training.fitting import FitSettings, split_rows, train_forecaster
from training.meters import MeterQuality
from training.own_records import Start, learn_from_records
from training.scores import bound_coverage, integrated_calibration_index
from training.workshop import WorkshopHabits

OTHERS = ("marrow-bay", "high-tarn", "reed-delta")
FAMILIES = ("shale-20", "gravel-14", "loess-28")
YEAR_END = from_days(np.array([FIRST_DAY + 365.0]))[0].to_pydatetime()
SETTINGS = FitSettings(members=2, rounds=40, workers=1)


def place(packs: int, seed: int, limit: float, habits: WorkshopHabits | None = None) -> HistoryTables:
    families = load_families()
    limits = ("discharge_spread_limit_v", "charge_spread_limit_v", "rest_spread_limit_v")
    real = {n: f.model_copy(update={k: getattr(f, k) * limit for k in limits}) for n, f in families.items()}
    plan = CohortPlan(
        packs,
        seed,
        families=FAMILIES,
        places=("cinder-flats",),
        meters=MeterQuality(noise_factor=1.5),
        habits=habits or WorkshopHabits(),
        years=1,
    )
    return replace(simulate_cohort(plan, families=real, workers=2).tables, families=families)


def figures(forecaster: Any, test: SurvivalRows) -> tuple[float, float, float]:
    survival, _, _ = forecaster.curves(test.X)
    index = integrated_calibration_index(survival, test.time, test.event, day=14).index
    bound = forecaster.bound.bound(survival, 0.9, groups=evidence_group(test.X))
    coverage = bound_coverage(bound, test.time, test.event, promised=0.9)
    return index, coverage.held, coverage.mean_days


def one_seed(
    start: Start, pool: HistoryTables, test: SurvivalRows, seed: int, counts: list[int]
) -> list[tuple[int, str, Any]]:
    """Learn from records of growing size, each holding the packs of the one before."""
    known = known_by(pool, YEAR_END)
    fates = known.outcomes[known.outcomes["kind"] != "running"].groupby("pack_id").size()
    packs = np.random.default_rng(seed).permutation(pool.packs["pack_id"].to_numpy())
    held = np.cumsum(fates.reindex(packs).fillna(0).to_numpy())
    found = []
    for count in counts:
        record = pool.of_packs(packs[: int(np.searchsorted(held, count)) + 1])
        learned = learn_from_records(start, record, YEAR_END, settings=replace(SETTINGS, seed=seed))
        found.append((count, learned.recipe.name, (*figures(learned.forecaster, test), learned.facts["returns"])))
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--packs", type=int, default=1500, help="simulated packs of the other places")
    parser.add_argument("--test", type=int, default=3000)
    parser.add_argument("--counts", type=int, nargs="+", default=[25, 50, 100, 200, 500, 2000])
    parser.add_argument("--limits", type=float, nargs="+", default=[1.0, 1.8], help="spread allowed, against the sheet")
    asked = parser.parse_args()
    began = time.perf_counter()
    base = simulate_cohort(CohortPlan(asked.packs, 5, places=OTHERS), workers=2)
    trained = train_forecaster(base.tables, truth=base.truth, settings=SETTINGS)
    rows = survival_rows(base.tables, moments_of(base.tables, np.random.default_rng([0, 7])))
    train, _, _ = split_rows(rows)
    start = Start(trained.forecaster, lambda: train)
    for limit in asked.limits:
        tables = place(asked.test, 77, limit, WorkshopHabits(replaces=False))
        test = survival_rows(tables, moments_of(tables, np.random.default_rng(3)))
        pool = place(4000, 1001, limit)
        first = figures(start.forecaster, test)
        print(
            f"\nlimit times {limit:g}: {len(test)} moments, start: error {first[0]:.4f}, held {first[1]:.3f}",
            flush=True,
        )
        print("fates  returns  error mean worst    of start   held mean least   days    learned")
        by_seed = [one_seed(start, pool, test, seed, asked.counts) for seed in range(asked.seeds)]
        for number, count in enumerate(asked.counts):
            part = [run[number] for run in by_seed]
            value = np.array([p[2] for p in part])
            ways = {name: sum(p[1] == name for p in part) for name in sorted({p[1] for p in part})}
            print(
                f"{count:5d}  {value[:, 3].mean():7.0f}      {value[:, 0].mean():.4f} {value[:, 0].max():.4f}"
                f"   {value[:, 0].mean() / first[0]:6.2f}     {value[:, 1].mean():.3f} {value[:, 1].min():.3f}"
                f"   {value[:, 2].mean():5.2f}    {ways}"
            )
        print(f"{time.perf_counter() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
