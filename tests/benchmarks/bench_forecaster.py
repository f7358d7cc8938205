"""The shipped forecaster against the usual alternatives, on fresh simulated packs it has never seen.

    python tests/benchmarks/bench_forecaster.py --train 12000 --test 20000

Trains as ``tideover train`` does, then prints, for a cohort in which nobody replaces a pack (plain outcomes) and one in
which the worst are replaced first (weighted for that): integrated Brier scores (0 to 90 days) of all forecasts on the
same rows, with their ratio to Kaplan–Meier; calibration at 7, 14, 30 and 60 days; distribution calibration; coverage of
the good-for bounds, overall and by situation. All data are simulated (invented). One OpenMP thread.
"""

from __future__ import annotations

import argparse
import os
import time

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

from models.base.day_grid import DAYS, REPORT_DAYS
from models.estimators.cox import CoxRegression
from models.estimators.first_passage import FirstPassageRegression
from models.survival.kaplan_meier import kaplan_meier
from tests.studies.peers.aft import WeibullRegression
from training.learning.fitting import CONFIDENCES, FitSettings, Further, censoring_curves, train_forecaster
from training.learning.moments import moments_of, single_moments, survival_rows
from training.scoring import (
    bound_coverage,
    distribution_calibration,
    integrated_brier_score,
    integrated_calibration_index,
    reliability,
)
from training.simulation.cohort import Cohort, CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

NOBODY_REPLACES = WorkshopHabits(replaces=False)


def cohort_of(packs: int, seed: int, habits: WorkshopHabits) -> Cohort:
    return simulate_cohort(CohortPlan(packs, seed, habits=habits), workers=2)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--train", type=int, default=12_000)
    parser.add_argument("--test", type=int, default=20_000)
    asked = parser.parse_args()

    began = time.perf_counter()
    cohort = cohort_of(asked.train, 1, NOBODY_REPLACES)
    more = cohort_of(2 * asked.train, 2, NOBODY_REPLACES)
    simulated = time.perf_counter() - began
    trained = train_forecaster(
        cohort.tables, truth=cohort.truth, further=Further(more.tables, more.truth), settings=FitSettings()
    )
    forecaster = trained.forecaster
    seconds = time.perf_counter() - began - simulated
    print(f"simulated {3 * asked.train} packs in {simulated:.0f} s, trained in {seconds:.0f} s")
    train = survival_rows(cohort.tables, moments_of(cohort.tables, np.random.default_rng(0)))
    peers = {"first passage": FirstPassageRegression(), "Cox": CoxRegression(), "Weibull AFT": WeibullRegression()}
    for peer in peers.values():
        peer.fit(train.X, train.time, train.event)
    overall = kaplan_meier(train.time, train.event).at(DAYS)

    for title, habits in (("nobody replaces", NOBODY_REPLACES), ("packs are replaced, worst first", WorkshopHabits())):
        test = single_moments(cohort_of(asked.test, 99, habits).tables, np.random.default_rng(99))
        rows = (test.time, test.event)
        # Who is replaced can only be learned where somebody is.
        followed = censoring_curves(test, test) if habits.replaces else None
        print(f"\n{title}: {asked.test} packs, {len(test)} moments, {test.event.mean():.0%} seen to return")
        survival, _, _ = forecaster.curves(test.X)
        curves = {"Kaplan–Meier": np.tile(overall, (len(test), 1)), "forecaster": survival}
        curves |= {name: peer.predict_survival(test.X, DAYS) for name, peer in peers.items()}
        scores = {name: integrated_brier_score(c, *rows, censoring=followed).score for name, c in curves.items()}
        for name, score in sorted(scores.items(), key=lambda item: item[1]):
            print(f"  {name:14s} integrated Brier {score:.4f}   {score / scores['Kaplan–Meier']:.3f} of Kaplan–Meier")
        for day in REPORT_DAYS:
            found = reliability(survival, *rows, day=day, censoring=followed)
            ici = integrated_calibration_index(survival, *rows, day=day, censoring=followed).index
            print(
                f"  day {day:2.0f}: forecast {found.overall.forecast:.3f}, observed {found.overall.observed:.3f}, "
                f"mean gap in tenths {found.error:.3f}, integrated calibration index {ici:.4f}"
            )
        print(f"  distribution calibration p = {distribution_calibration(survival, *rows).p_value:.3f}")
        group = forecaster.bound_group(test.X)
        for confidence in CONFIDENCES:
            bound = forecaster.bound.told_days(survival, confidence, groups=group)
            held = {"all": np.ones(len(test), dtype=bool)} | {label: group == label for label in np.unique(group)}
            shown = []
            for label, some in held.items():
                part = None if followed is None else followed[some]
                found = bound_coverage(bound[some], *(v[some] for v in rows), promised=confidence, censoring=part)
                shown.append(f"{label} {found.held:.3f} (n {some.sum()})")
            print(f"  good for at {confidence:.0%}: {'; '.join(shown)}")


if __name__ == "__main__":
    main()
