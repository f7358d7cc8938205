"""Heat and cold: what is forecast beside what comes of it, on simulated packs of worlds the model never saw.

    python tests/benchmarks/bench_weather.py HOME --packs 4000 --worlds 40

HOME is a state folder with a trained model. For each span of the temperature that the forecast was made with: how many
moments, the mean share forecast to hold on days 7 and 14, and the share that held, by the product-limit estimate with
twice its standard error. Nobody replaces a pack. All data are simulated (invented). One OpenMP thread.
"""

from __future__ import annotations

import argparse
import os
from itertools import pairwise
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

from models.base.day_grid import survival_at
from models.forecaster import Forecaster
from models.survival.kaplan_meier import kaplan_meier
from training.learning.moments import single_moments
from training.registry import ModelRegistry
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

EDGES_C = (-40.0, 0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 60.0)


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
    survival, ambient = forecaster.curves(rows.X)[0], rows.X["ambient_c"].to_numpy()
    print(f"{len(rows)} moments of {asked.worlds} worlds, {np.isnan(ambient).sum()} with no temperature")
    for low, high in pairwise(EDGES_C):
        own = (ambient >= low) & (ambient < high)
        if own.sum() < 30:
            continue
        held = kaplan_meier(rows.time[own], rows.event[own])
        told = []
        for day in (7.0, 14.0):
            share, error = float(held.at([day])[0]), 2 * float(held.standard_error([day])[0])
            curve = survival_at(survival[own], day).mean()
            told.append(f"day {day:.0f}: {curve:.3f} told, {share:.3f} ± {error:.3f} held")
        print(f"{low:g} to {high:g} °C, {own.sum()} moments: " + "; ".join(told))


if __name__ == "__main__":
    main()
