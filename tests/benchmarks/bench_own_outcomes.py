"""What a workshop's own outcomes bring, on worlds that no part of the forecast was made from.

    python tests/benchmarks/bench_own_outcomes.py --worlds 12

A booster learns from some drawn worlds, how much worlds differ is learned from others, and each held-out world's
workshop keeps a censored record. After so many returns the forecast is scored on uncensored releases there, whose
truth is known, beside Kaplan-Meier and a ridge Cox regression (lifelines, penalty 1) of the same releases and the model
as it was before. All data are simulated (invented).
"""

from __future__ import annotations

import argparse
import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import time

import numpy as np
import pandas as pd
from lifelines import CoxPHFitter, KaplanMeierFitter

from models.base.day_grid import DAYS
from models.calibration.workshop_posterior import WorkshopPosterior
from models.calibration.world_prior import WorldRecord, fit_world_prior
from models.estimators.hazard_trees import HazardBooster
from models.features.definitions import DIRECTIONS
from training.learning.fitting import world_of, world_records
from training.learning.moments import SurvivalRows, moments_of, survival_rows
from training.simulation.cohort import Cohort, CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

COUNTS = (0, 25, 100, 400, 1500)
DAY = int(np.searchsorted(DAYS, 14))


def rows_of(cohort: Cohort) -> SurvivalRows:
    return survival_rows(cohort.tables, moments_of(cohort.tables, np.random.default_rng(0)))


def first_releases(rows: SurvivalRows) -> SurvivalRows:
    release = rows.take((rows.moments["occasion"] == "release").to_numpy())
    return release.take(~release.moments["pack_id"].duplicated().to_numpy())


def brier(survival: np.ndarray, days: np.ndarray) -> float:
    held = days[:, None] > DAYS
    return float(np.trapezoid(((survival - held) ** 2).mean(axis=0), DAYS) / DAYS[-1])


def error(back: np.ndarray, seen: np.ndarray) -> float:
    parts = np.array_split(np.argsort(back), 20)
    return float(sum(len(p) * abs(back[p].mean() - seen[p].mean()) for p in parts) / len(back))


def ridge_cox(own: SurvivalRows, test: SurvivalRows) -> np.ndarray:
    columns = [c for c in own.X if own.X[c].notna().mean() > 0.5 and own.X[c].std() > 1e-6]
    fill, centre, spread = own.X[columns].median(), own.X[columns].mean(), own.X[columns].std()
    one, two = (((r.X[columns].fillna(fill) - centre) / spread).clip(-4, 4) for r in (own, test))
    fitted = CoxPHFitter(penalizer=1.0).fit(one.assign(T=np.maximum(own.time, 0.05), E=own.event), "T", "E")
    return fitted.predict_survival_function(two, times=DAYS).T.to_numpy()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=12, help="held out")
    parser.add_argument("--train", type=int, default=60, help="worlds that the booster learns from")
    parser.add_argument("--prior", type=int, default=60, help="worlds that how much they differ is learned from")
    parser.add_argument("--record", type=int, default=4000, help="packs of the largest record")
    parser.add_argument("--test", type=int, default=1000, help="uncensored packs that each world is judged on")
    asked = parser.parse_args()
    stays = WorkshopHabits(replaces=False)
    rng = np.random.default_rng(0)
    train = rows_of(simulate_cohort(CohortPlan(200 * asked.train, 1, habits=stays, worlds=asked.train)))
    booster = HazardBooster(rounds=60, stop_early=False, monotone=DIRECTIONS).fit(train.X, train.time, train.event)
    cohort = simulate_cohort(CohortPlan(300 * asked.prior, 2, habits=stays, worlds=asked.prior))
    rows, world = rows_of(cohort), world_of(cohort.tables, cohort.truth)
    assert world is not None
    began = time.perf_counter()
    prior = fit_world_prior(world_records(rows, booster.predict_survival(rows.X, DAYS), world), DIRECTIONS)
    print(f"prior of {prior.worlds} worlds in {time.perf_counter() - began:.0f} s", flush=True)
    lines = []
    for number in range(asked.worlds):
        seeds = {"worlds": 1, "world_seed": 1000 + number}
        test = first_releases(rows_of(simulate_cohort(CohortPlan(asked.test, 3, habits=stays, **seeds))))
        record = rows_of(simulate_cohort(CohortPlan(asked.record, 4, **seeds)))
        before, own = (booster.predict_survival(r.X, DAYS) for r in (test, record))
        releases = first_releases(record)
        returns = np.cumsum(releases.event)
        for count in COUNTS:
            if count > returns[-1]:
                continue
            told, line = WorkshopPosterior.unlearned(prior), {"world": number, "returns": count}
            if count:
                some = releases.take(np.arange(int(np.searchsorted(returns, count)) + 1))
                kept = record.moments["pack_id"].isin(set(some.moments["pack_id"])).to_numpy()
                part = record.take(kept)
                weights = np.full(len(part), part.moments["topup"].nunique() / len(part))
                began = time.perf_counter()
                told = WorkshopPosterior.learn(prior, WorldRecord(own[kept], part.X, part.time, part.event, weights))
                line["seconds"] = time.perf_counter() - began
                curve = KaplanMeierFitter().fit(some.time, some.event).survival_function_at_times(DAYS).to_numpy()
                line["Kaplan-Meier"] = brier(np.broadcast_to(curve, before.shape), test.time)
                line["ridge Cox"] = brier(ridge_cox(some, test), test.time)
            survival, low, high = told.curves(before, test.X)
            back = 1 - survival[:, DAY]
            chance = np.mean([error(back, rng.random(len(back)) < back) for _ in range(20)])
            held = (test.time > 14).mean()
            line |= {
                "ours": brier(survival, test.time),
                "before": brier(before, test.time),
                "ICI day 14 above chance": error(back, test.time <= 14) - chance,
                "in the band": float(low[:, DAY].mean() <= held <= high[:, DAY].mean()),
            }
            lines.append(line)
    table = pd.DataFrame(lines)
    table["of the better"] = table["ours"] / table[["Kaplan-Meier", "ridge Cox"]].min(axis=1)
    table["of before"] = table["ours"] / table["before"]
    print(table.groupby("returns").mean().drop(columns="world").round(4).to_string())
    print("worst of before:", table.groupby("returns")["of before"].max().round(3).to_dict())


if __name__ == "__main__":
    main()
