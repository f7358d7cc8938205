"""What a workshop's own record adds: calibration error and coverage against the number of outcomes it holds.

    python tests/benchmarks/bench_learning.py --home FOLDER --seeds 20

Learning starts from the current model of a home (made by `tideover train`), or, without one, from a model trained here
as `tideover demo` does. A workshop at a place that no model was trained on keeps a record for a year; it is as large as
to hold so many known fates at the year's end. Each line: integrated calibration error on day 14 and coverage of the
90 % bound on fresh packs of that place in which nobody replaces anything, mean and worst over seeds (other packs in
the record each time). Two such places, in turn:

- "unlike": ember-reach (33 °C in the mean, more kilometres), meters twice as noisy; owners drive 2.5 times what they
  say, the supply's ampere-hour counter reads 30 % low, and the monitor allows a fifth less spread than the family sheet
  says. Nothing in the evidence tells of the last three.
- "hotter": the same without those three: a shift that the model sees in its evidence, and mostly answers by itself.

All data are simulated (invented). Up to 100 outcomes take seconds a seed; from some 150 returns on, ways of retraining
are tried on the past of each record, which takes minutes: `--long-seeds` says for how many seeds. With `--hurried` what
is fitted again there is what the back-test tries (two networks of a third of the epochs), not four whole pairs:
quicker, and if anything worse.
"""

from __future__ import annotations

import argparse
import os
import time

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import sys
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

import joblib
import numpy as np
import pandas as pd

from models.forecaster import Forecaster
from models.packs.tables import HistoryTables, from_days
from models.survival.estimator import SurvivalEstimator
from service.cli.demo import DEMO_PACKS
from service.forecasting.model.training import NOBODY_REPLACES
from training.files.families import load_families
from training.learning.back_test import known_by
from training.learning.fitting import FitSettings, Further, split_rows, train_forecaster
from training.learning.moments import SurvivalRows, moments_of, survival_rows
from training.learning.own_records import (
    BACK_TEST_MEMBERS,
    BACK_TEST_PASSES,
    Start,
    learn_from_records,
    simulated_rows,
)
from training.registry import ModelRegistry
from training.scoring import bound_coverage, integrated_calibration_index
from training.simulation.cohort import FIRST_DAY, CohortPlan, simulate_cohort
from training.simulation.meters import MeterQuality
from training.simulation.workshop import WorkshopHabits

YEAR_END = from_days(np.array([FIRST_DAY + 365.0]))[0].to_pydatetime()
PLACES = {"unlike": (0.4, 0.7, 0.8), "hotter": (1.0, 1.0, 1.0)}
"""What owners say of their kilometres and supplies of the charge, as a share of what is true, and what the monitor
allows, as a share of what the family sheet says."""

LIMITS = ("discharge_spread_limit_v", "charge_spread_limit_v", "rest_spread_limit_v")


HURRIED = FitSettings(members=BACK_TEST_MEMBERS, trees=False, epochs=BACK_TEST_PASSES)
"""What `--hurried` fits again."""


@dataclass
class Remembering:
    """A fitted member that keeps what it said of a table: the test packs are the same for every record."""

    member: SurvivalEstimator
    said: dict[str, np.ndarray] = field(default_factory=dict)

    def predict_survival(self, X: pd.DataFrame, days: np.ndarray) -> np.ndarray:
        key = joblib.hash((X, days))
        if key not in self.said:
            self.said[key] = self.member.predict_survival(X, days)
        return self.said[key]

    def __getstate__(self) -> dict[str, object]:
        return {"member": self.member, "said": {}}


def place(packs: int, seed: int, said: tuple[float, float, float], habits: WorkshopHabits) -> HistoryTables:
    families = load_families()
    real = {n: f.model_copy(update={k: getattr(f, k) * said[2] for k in LIMITS}) for n, f in families.items()}
    plan = CohortPlan(
        packs, seed, places=("ember-reach",), meters=MeterQuality(noise_factor=2.0), habits=habits, years=1
    )
    tables = simulate_cohort(plan, families=real, workers=2).tables
    usage, topups = tables.usage.copy(), tables.topups.copy()
    usage[["km_per_day", "trips_per_day"]] *= said[0]
    topups["charge_ah"] *= said[1]
    return replace(tables, usage=usage, topups=topups, families=families)


def start_of(home: Path | None) -> Start:
    """Return a home's current model and the rows it was trained on, or train one."""
    if home is None:
        cohort = simulate_cohort(CohortPlan(DEMO_PACKS, 0, habits=NOBODY_REPLACES), workers=2)
        more = simulate_cohort(CohortPlan(2 * DEMO_PACKS, 1, habits=NOBODY_REPLACES), workers=2)
        trained = train_forecaster(cohort.tables, truth=cohort.truth, further=Further(more.tables, more.truth))
        moments = moments_of(cohort.tables, np.random.default_rng([0, 7]))
        rows = survival_rows(cohort.tables, moments, cohort.truth)
        return Start(trained.forecaster, lambda: split_rows(rows, apart=False)[0])
    stored = ModelRegistry(home / "models").load_current(Forecaster)
    made = stored.manifest

    @cache
    def simulated() -> SurvivalRows | None:
        return simulated_rows(
            int(made.facts["packs"]),
            made.seed,
            NOBODY_REPLACES,
            load_families(),
            made.data_digest,
            2,
            apart=bool(made.facts["calibrated_apart"]),
        )

    stored.model.members = tuple(Remembering(member) for member in stored.model.members)
    return Start(stored.model, simulated)


def figures(forecaster: Any, test: SurvivalRows) -> tuple[float, float, float]:
    survival, _, _ = forecaster.curves(test.X)
    index = integrated_calibration_index(survival, test.time, test.event, day=14).index
    bound = forecaster.bound.bound(survival, 0.9, groups=forecaster.bound_group(test.X))
    coverage = bound_coverage(bound, test.time, test.event, promised=0.9)
    return index, coverage.held, coverage.mean_days


def learned_by(
    start: Start, pool: HistoryTables, test: SurvivalRows, seed: int, count: int, settings: FitSettings
) -> tuple[str, Any]:
    """Learn from a record with so many known fates; the record of a larger count holds that of a smaller one."""
    known = known_by(pool, YEAR_END)
    fates = known.outcomes[known.outcomes["kind"] != "running"].groupby("pack_id").size()
    packs = np.random.default_rng(seed).permutation(pool.packs["pack_id"].to_numpy())
    held = np.cumsum(fates.reindex(packs).fillna(0).to_numpy())
    record = pool.of_packs(packs[: int(np.searchsorted(held, count)) + 1])
    learned = learn_from_records(start, record, YEAR_END, settings=replace(settings, seed=seed))
    return learned.recipe.name, (*figures(learned.forecaster, test), learned.facts["returns"])


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--home", type=Path, help="whose current model is the start")
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--long-seeds", type=int, default=3, help="seeds of counts over 100")
    parser.add_argument("--hurried", action="store_true", help="counts over 100: fit again only what is tried")
    parser.add_argument("--pool", type=int, default=4000, help="packs of the place from which records are drawn")
    parser.add_argument("--test", type=int, default=2500)
    parser.add_argument("--counts", type=int, nargs="+", default=[25, 50, 100, 200, 500, 2000])
    parser.add_argument("--places", nargs="+", default=list(PLACES), choices=list(PLACES))
    asked = parser.parse_args()
    began = time.perf_counter()
    start = start_of(asked.home)
    for name in asked.places:
        tables = place(asked.test, 77, PLACES[name], WorkshopHabits(replaces=False))
        test = survival_rows(tables, moments_of(tables, np.random.default_rng(3)))
        pool = place(asked.pool, 1001, PLACES[name], WorkshopHabits())
        first = figures(start.forecaster, test)
        print(f"\n{name}: {len(test)} moments; at the start error {first[0]:.4f}, held {first[1]:.3f}", flush=True)
        print("fates seeds returns  error mean worst    of start   held mean least   days    learned")
        for count in asked.counts:
            seeds = asked.seeds if count <= 100 else asked.long_seeds
            if not seeds:
                continue
            settings = HURRIED if asked.hurried and count > 100 else FitSettings()
            part = []
            for seed in range(seeds):
                part.append(learned_by(start, pool, test, seed, count, settings))
                print(f"{count} fates, seed {seed}: {part[-1]}", file=sys.stderr, flush=True)
            value = np.array([p[1] for p in part])
            ways = {way: sum(p[0] == way for p in part) for way in sorted({p[0] for p in part})}
            print(
                f"{count:5d} {seeds:5d} {value[:, 3].mean():7.0f}      {value[:, 0].mean():.4f} {value[:, 0].max():.4f}"
                f"   {value[:, 0].mean() / first[0]:6.2f}     {value[:, 1].mean():.3f} {value[:, 1].min():.3f}"
                f"   {value[:, 2].mean():5.2f}    {ways}",
                flush=True,
            )
        print(f"{time.perf_counter() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
