"""The shipped forecaster against the usual alternatives, on fresh simulated packs it has never seen.

    python tests/benchmarks/bench_forecaster.py --train 20000 --test 20000

Prints integrated Brier scores (0 to 90 days) of all forecasts on the same rows, with their ratio to Kaplan–Meier;
calibration at 7, 14, 30 and 60 days; coverage of the good-for bounds; once on a cohort whose packs are replaced (the
worst first), weighted for that, and once on one in which nobody replaces anything, where the plain outcomes are known.
All data are simulated (invented). One OpenMP thread.
"""

from __future__ import annotations

import argparse
import os
import time

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

from models.evidence import evidence_group
from models.first_passage import FirstPassageRegression
from models.grid import DAYS, REPORT_DAYS, survival_at
from models.kaplan_meier import kaplan_meier
from models.regressions import CoxRegression, WeibullRegression
from training.cohort import CohortPlan, simulate_cohort
from training.datasets import SurvivalRows, moments_of, survival_rows
from training.fitting import CONFIDENCES, FitSettings, censoring_curves, train_forecaster
from training.scores import bound_coverage, distribution_calibration, integrated_brier_score, reliability
from training.workshop import WorkshopHabits


def rows_of(packs: int, seed: int, habits: WorkshopHabits) -> SurvivalRows:
    tables = simulate_cohort(CohortPlan(packs, seed, habits=habits), workers=2).tables
    return survival_rows(tables, moments_of(tables, np.random.default_rng(seed)))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--train", type=int, default=20_000)
    parser.add_argument("--test", type=int, default=20_000)
    parser.add_argument("--members", type=int, default=FitSettings.members)
    parser.add_argument("--rounds", type=int, default=FitSettings.rounds)
    asked = parser.parse_args()

    began = time.perf_counter()
    cohort = simulate_cohort(CohortPlan(asked.train, seed=1), workers=2)
    simulated = time.perf_counter() - began
    settings = FitSettings(members=asked.members, rounds=asked.rounds)
    trained = train_forecaster(cohort.tables, truth=cohort.truth, settings=settings)
    print(
        f"simulated {asked.train} packs in {simulated:.1f} s, trained in {time.perf_counter() - began - simulated:.1f} s"
    )
    train = survival_rows(cohort.tables, moments_of(cohort.tables, np.random.default_rng(0)))
    peers = {
        "first passage": FirstPassageRegression(),
        "Cox": CoxRegression(),
        "Weibull AFT": WeibullRegression(),
    }
    for peer in peers.values():
        peer.fit(train.X, train.time, train.event)
    overall = kaplan_meier(train.time, train.event).at(DAYS)

    for title, habits in (
        ("packs are replaced, worst first", WorkshopHabits()),
        ("nobody replaces", WorkshopHabits(replaces=False)),
    ):
        test = rows_of(asked.test, 99, habits)
        followed = censoring_curves(train, test) if habits.replaces else None
        print(f"\n{title}: {asked.test} packs, {len(test)} moments, {test.event.mean():.0%} seen to return")
        survival, _, _ = trained.forecaster.curves(test.X)
        curves = {"Kaplan–Meier": np.tile(overall, (len(test), 1)), "forecaster": survival}
        curves |= {name: peer.predict_survival(test.X, DAYS) for name, peer in peers.items()}
        scores = {
            n: integrated_brier_score(c, test.time, test.event, censoring=followed).score for n, c in curves.items()
        }
        for name, score in sorted(scores.items(), key=lambda item: item[1]):
            print(f"  {name:14s} integrated Brier {score:.4f}   {score / scores['Kaplan–Meier']:.3f} of Kaplan–Meier")
        for day in REPORT_DAYS:
            found = reliability(survival, test.time, test.event, day=day, censoring=followed)
            mean = 1 - survival_at(survival, day).mean()
            print(f"  day {day:2.0f}: forecast {mean:.3f}  {found}")
        print(" ", distribution_calibration(survival, test.time, test.event))
        group = evidence_group(test.X)
        for confidence in CONFIDENCES:
            bound = trained.forecaster.bound.bound(survival, confidence, groups=group)
            print(" ", bound_coverage(bound, test.time, test.event, promised=confidence, censoring=followed))
            for label in np.unique(group):
                some = group == label
                part = None if followed is None else followed[some]
                print(
                    f"    {label}: n {some.sum()}",
                    bound_coverage(bound[some], test.time[some], test.event[some], promised=confidence, censoring=part),
                )


if __name__ == "__main__":
    main()
