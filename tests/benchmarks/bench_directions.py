"""Random cases, one thing varied at a time: how many figures move against physics.

    PYTHONPATH=. python tests/benchmarks/bench_directions.py --cases 2500

Trains a forecaster on simulated packs of many worlds, or takes that of a state folder (`--home HOME`), then sweeps
(`tests/studies/direction_sweep.py`). Prints how many steps go the wrong way by more than the grain, how far at worst.
One OpenMP thread.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from models.forecaster import Forecaster
from tests.studies.direction_sweep import FORECASTS, MISSING, sweep_forecasts, sweep_missing
from training.learning.fitting import FitSettings, train_forecaster
from training.registry import ModelRegistry
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--cases", type=int, default=2500)
    parser.add_argument("--train", type=int, default=5000)
    parser.add_argument("--home", type=Path)
    asked = parser.parse_args()
    if asked.home is None:
        plan = CohortPlan(asked.train, 1, worlds=60, habits=WorkshopHabits(replaces=False))
        cohort = simulate_cohort(plan)
        settings = FitSettings(workers=1, seed=0)
        forecaster = train_forecaster(cohort.tables, truth=cohort.truth, settings=settings).forecaster
    else:
        forecaster = ModelRegistry(asked.home / "models").load_current(Forecaster).model
    for sweep in FORECASTS:
        found = sweep_forecasts(forecaster, sweep, asked.cases, 7)
        said = f"{found.wrong} of {found.steps} steps the wrong way, {found.worst:.1f} days at worst"
        print(f"{sweep.name}: {said}", flush=True)
    found = sweep_missing(asked.cases // 5, 7)
    print(f"{MISSING.name}: {found.wrong} of {found.steps} steps the wrong way, {found.worst:.2f} Ah at worst")


if __name__ == "__main__":
    main()
