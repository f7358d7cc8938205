"""How often the kind of weakness that is told is the true one, on simulated packs of worlds the model never saw.

    python tests/benchmarks/bench_kinds.py HOME --packs 4000 --worlds 40

HOME is a state folder with a trained model. By the chance that is told of the likeliest kind: how many moments, the
mean chance told, and the share in which it was right, with twice its standard error over worlds (packs of one world
go together). All data are simulated (invented). One OpenMP thread.
"""

from __future__ import annotations

import argparse
import os
from itertools import pairwise
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

from models.forecaster import Forecaster
from models.forecasts.weakness_kind import KINDS
from training.learning.moments import single_moments
from training.registry import ModelRegistry
from training.simulation.cohort import CohortPlan, simulate_cohort

EDGES = (0.25, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("home", type=Path)
    parser.add_argument("--packs", type=int, default=4000)
    parser.add_argument("--worlds", type=int, default=40)
    parser.add_argument("--seed", type=int, default=90_210)
    asked = parser.parse_args()

    forecaster = ModelRegistry(asked.home / "models").load_current(Forecaster).model
    assert forecaster.kinds is not None, "The model was not taught kinds."
    cohort = simulate_cohort(CohortPlan(asked.packs, asked.seed, worlds=asked.worlds))
    rows = single_moments(cohort.tables, np.random.default_rng(asked.seed))
    truth = cohort.truth.set_index("pack_id").loc[rows.moments["pack_id"]]
    chance = forecaster.kinds.predict(forecaster.seen.readable(rows.X))
    told, right = chance.max(axis=1), np.array(KINDS)[chance.argmax(axis=1)] == truth["kind"].to_numpy()
    loaded = ~rows.X[["before_load_mv_per_cell", "after_load_mv_per_cell", "now_load_mv_per_cell"]].isna().all(axis=1)
    for name, part in (("with a reading under load", loaded.to_numpy()), ("without one", ~loaded.to_numpy())):
        print(f"{name}: {part.sum()} moments")
        for low, high in pairwise(EDGES):
            own = part & (told > low) & (told <= high)
            if own.sum() < 30:
                continue
            share, mean = right[own].mean(), told[own].mean()
            _, world = np.unique(truth["world"].to_numpy()[own], return_inverse=True)
            off = np.bincount(world, right[own] - share)
            error = 2 * np.sqrt((off**2).sum()) / own.sum()
            print(f"  {low:.2f} to {high:.2f}: {own.sum()} moments, {mean:.3f} told, {share:.3f} ± {error:.3f} right")


if __name__ == "__main__":
    main()
