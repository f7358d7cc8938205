"""How widely drawn worlds differ: returns after the first top-up, kinds, how well a record ranks packs; and speed.

    PYTHONPATH=. python tests/benchmarks/bench_worlds.py --worlds 200 --packs 20000

Returns are counted without replacement, so that nothing hides them. The ranking is that of a ridge Cox regression
fitted to half of a world's packs on its features at release, judged by Harrell's C on the other half.
"""

from __future__ import annotations

import argparse
import os
import time
import warnings

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd
from sklearn.impute import SimpleImputer
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sksurv.linear_model import CoxPHSurvivalAnalysis
from sksurv.metrics import concordance_index_censored
from sksurv.util import Surv

from models.features.raw import feature_frame
from models.packs.tables import to_days
from training.learning.moments import moments_of
from training.simulation.cohort import Cohort, CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits
from training.simulation.world import SWITCHES

DAYS = (1, 3, 7, 14, 30, 60)
PENALTY = 5.0
LEAST_PACKS = 60
"""Packs of a world from which its ranking is worked out."""


def first_returns(cohort: Cohort) -> pd.DataFrame:
    """Return the truth by pack, with ``days`` from the first charge to its outcome, and whether it ``returned``."""
    charged = cohort.tables.topups.groupby("pack_id")["time"].first()
    ends = cohort.tables.outcomes.groupby("pack_id").first()
    out = cohort.truth.set_index("pack_id")
    out["days"] = to_days(ends["time"].reindex(out.index)) - to_days(charged.reindex(out.index))
    out["returned"] = (ends["kind"] == "returned").reindex(out.index)
    return out


def by_world(packs: pd.DataFrame) -> pd.DataFrame:
    """Return one row a world: shares back by each of `DAYS`, censored, and of each kind."""
    columns = {f"back by {day}": packs["returned"] & (packs["days"] <= day) for day in DAYS}
    columns["censored"] = ~packs["returned"]
    columns |= {f"kind {kind}": packs["kind"] == kind for kind in sorted(packs["kind"].unique())}
    return pd.DataFrame(columns).groupby(packs["world"]).mean()


def rankings(cohort: Cohort, packs: pd.DataFrame) -> pd.Series[float]:
    """Return Harrell's C of a ridge Cox regression within each world."""
    moments = moments_of(cohort.tables, np.random.default_rng(0))
    first = moments[moments["occasion"] == "release"].sort_values("origin").drop_duplicates("pack_id")
    X = feature_frame(cohort.tables, first).select_dtypes("number").set_index(first["pack_id"].to_numpy())
    X = X.reindex(packs.index)
    found = {}
    for world, some in packs.groupby("world"):
        usable = some[some["days"] > 0]
        if len(usable) < LEAST_PACKS or usable["returned"].sum() < LEAST_PACKS / 3:
            continue
        y = Surv.from_arrays(usable["returned"], usable["days"])
        mine = X.loc[usable.index]
        half = np.arange(len(usable)) % 2 == 0
        shown = mine.columns[(mine[half].max() > mine[half].min()).to_numpy()]
        model = make_pipeline(SimpleImputer(), StandardScaler(), CoxPHSurvivalAnalysis(alpha=PENALTY * 10))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model.fit(mine.loc[half, shown].to_numpy(), y[half])
            risk = model.predict(mine.loc[~half, shown].to_numpy())
        found[world] = concordance_index_censored(y["event"][~half], y["time"][~half], risk)[0]
    return pd.Series(found, name="C of ridge Cox")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--worlds", type=int, default=200)
    parser.add_argument("--packs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    for name, worlds in (("usual world", None), ("drawn worlds", args.worlds)):
        start = time.process_time()
        simulate_cohort(CohortPlan(packs=6000, seed=args.seed, worlds=worlds))
        print(f"{name}: {6000 / (time.process_time() - start):.0f} packs per second of one core")
    habits = WorkshopHabits(replaces=False)
    cohort = simulate_cohort(CohortPlan(packs=args.packs, seed=args.seed, worlds=args.worlds, habits=habits))
    packs = first_returns(cohort)
    table = by_world(packs)
    table = table.join(rankings(cohort, packs))
    print(table.describe(percentiles=[0.05, 0.25, 0.5, 0.75, 0.95]).T.round(2).drop(columns="count").to_string())
    print("\nby what is the matter")
    back = pd.DataFrame({f"back by {day}": packs["returned"] & (packs["days"] <= day) for day in DAYS})
    print(back.groupby(packs["condition"]).mean().round(2).to_string())
    print("\nby switch: mean over worlds")
    worlds = cohort.worlds.set_index("world")
    for switch in SWITCHES:
        means = table.groupby(worlds[f"switch {switch}"])[["back by 7", "back by 14", "back by 30", "C of ridge Cox"]]
        print(means.mean().round(2).to_string())


if __name__ == "__main__":
    main()
