"""The days that people are told, on simulated packs of worlds the model never saw: how many hold them.

    python tests/benchmarks/bench_told_days.py HOME --packs 4000 --worlds 40

HOME is a state folder with a trained model. For each confidence: the share that holds until the bound's own day, until
the curve's own day at the same risk, and until the day that is told, the more careful of the two; with the mean days.
Nobody replaces a pack, so that outcomes are plain. All data are simulated (invented). One OpenMP thread.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

from models.base.day_grid import DAYS, day_of_return
from models.forecaster import Forecaster
from training.learning.fitting import CONFIDENCES
from training.learning.moments import single_moments
from training.registry import ModelRegistry
from training.scoring import bound_coverage
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("home", type=Path)
    parser.add_argument("--packs", type=int, default=4000)
    parser.add_argument("--worlds", type=int, default=40)
    parser.add_argument("--seed", type=int, default=90_210)
    asked = parser.parse_args()

    forecaster = ModelRegistry(asked.home / "models").load_current(Forecaster).model
    plan = CohortPlan(asked.packs, asked.seed, worlds=asked.worlds, habits=WorkshopHabits(replaces=False))
    rows = single_moments(simulate_cohort(plan).tables, np.random.default_rng(asked.seed))
    survival, group = forecaster.curves(rows.X)[0], forecaster.bound_group(rows.X)
    print(f"{len(rows)} moments of {asked.worlds} worlds, {rows.event.mean():.0%} seen to return")
    for confidence in CONFIDENCES:
        own = np.array([day_of_return(curve, 1 - confidence) or DAYS[-1] for curve in survival])
        days = {
            "bound": forecaster.bound.bound(survival, confidence, groups=group),
            "curve": own,
            "told": forecaster.bound.told_days(survival, confidence, groups=group),
        }
        held = {name: bound_coverage(d, rows.time, rows.event, promised=confidence).held for name, d in days.items()}
        print(
            f"{confidence:.0%}: " + ", ".join(f"{n} {held[n]:.1%} (mean {d.mean():.1f} days)" for n, d in days.items())
        )


if __name__ == "__main__":
    main()
