"""Every estimator on one invented cohort: score, seconds to fit, packs a second, milliseconds for one pack.

Run from the project's root, one OpenMP thread::

    OMP_NUM_THREADS=1 python -m tests.benchmarks.bench_estimators [--rows 20000] [--forest-trees 100]

The cohort: 22 measured features with noise and gaps; level and drift of a Wiener process follow them with slopes,
interactions and a switch; a third is followed for a random time only. Score: integrated Brier score over the day grid
weighted for censoring, on as many fresh packs; "truth" forecasts with the true level and drift. The forest (of
scikit-survival, times rounded up to the day grid, gaps filled with 0) is fitted only if trees are asked for: at
20,000 rows a hundred of them take minutes. Seconds are processor time: the wall clock of a shared machine says little.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
import pandas as pd
from sksurv.ensemble import RandomSurvivalForest
from sksurv.util import Surv

from models.base.day_grid import DAYS
from models.estimators import first_passage
from models.estimators.cox import CoxRegression
from models.estimators.first_passage import FirstPassageRegression
from models.estimators.hazard_trees import HazardBooster
from models.survival.censoring_weights import censoring_weights
from models.survival.kaplan_meier import kaplan_meier
from tests.studies.peers.aft import LogNormalRegression, WeibullRegression
from tests.studies.peers.probability_booster import ProbabilityBooster


class Cohort:
    """Invented packs."""

    def __init__(self, rows: int, seed: int) -> None:
        rng = np.random.default_rng(seed)
        x = rng.normal(size=(rows, 22))
        drift = np.exp(-1.1 + 0.8 * x[:, 0] + 0.43 * x[:, 2] + 0.3 * x[:, 0] * (x[:, 1] > 0))
        drift *= 1 + 0.3 * (x[:, 3] > 0.5) * x[:, 4] ** 2
        self.drift = np.where(x[:, 7] > 1.3, 0.1, 1.0) * drift
        self.level = 8 * np.exp(0.4 * x[:, 5] - 0.3 * np.abs(x[:, 6]))
        back = first_passage.quantile(rng.random(rows), self.level, self.drift)
        followed = np.where(rng.random(rows) < 1 / 3, rng.exponential(40, rows), 95.0)
        self.time, self.event = np.maximum(np.minimum(back, followed), 0.01), back <= followed
        measured = x + 0.1 * rng.normal(size=x.shape)
        self.X = np.where(rng.random(x.shape) < 0.08, np.nan, measured)

    def score(self, survival: np.ndarray) -> float:
        """Return the integrated Brier score of curves on the day grid."""
        known = censoring_weights(self.time, self.event, DAYS[1:])
        brier = np.mean(known.weights * (~known.returned - survival[:, 1:]) ** 2, axis=0)
        return float(np.trapezoid(np.append(0.0, brier), DAYS) / DAYS[-1])


def seconds(action: Callable[[], object], repeats: int = 1) -> float:
    """Return the median time an action takes."""
    spent = []
    for _ in range(repeats):
        started = time.process_time()
        action()
        spent.append(time.process_time() - started)
    return float(np.median(spent))


def forest_row(learn: Cohort, fresh: Cohort, trees: int) -> dict[str, float]:
    """Fit and score the forest."""
    rounded = np.append(DAYS, DAYS[-1])[np.searchsorted(DAYS, learn.time)]
    outcome = Surv.from_arrays(learn.event & (learn.time <= DAYS[-1]), rounded)
    forest = RandomSurvivalForest(trees, random_state=0)
    fit = seconds(lambda: forest.fit(np.nan_to_num(learn.X), outcome))
    started = time.process_time()
    table = forest.predict_survival_function(np.nan_to_num(fresh.X), return_array=True)
    spent = time.process_time() - started
    survival = np.hstack([np.ones((len(table), 1)), table])[
        :, np.searchsorted(forest.unique_times_, DAYS, side="right")
    ]
    one = seconds(lambda: forest.predict_survival_function(np.nan_to_num(fresh.X[:1]), return_array=True), 20)
    return {"score": fresh.score(survival), "fit s": fit, "packs/s": len(table) / spent, "one pack ms": 1000 * one}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Speed and score of every estimator on an invented cohort.")
    parser.add_argument("--rows", type=int, default=20_000)
    parser.add_argument("--forest-trees", type=int, default=0)
    options = parser.parse_args()
    learn, fresh = Cohort(options.rows, 0), Cohort(options.rows, 1)
    estimators = {
        "Cox": CoxRegression(),
        "Weibull": WeibullRegression(),
        "lognormal": LogNormalRegression(),
        "first passage": FirstPassageRegression(),
        "hazard booster": HazardBooster(),
        "hazard booster, 300 trees": HazardBooster(stop_early=False),
        "probability booster": ProbabilityBooster(),
    }
    table = {}
    truth = first_passage.survival(DAYS[None, :], fresh.level[:, None], fresh.drift[:, None])
    everyone = kaplan_meier(learn.time, learn.event).at(DAYS)
    table["truth"] = {"score": fresh.score(truth)}
    table["Kaplan-Meier"] = {"score": fresh.score(np.tile(everyone, (len(fresh.time), 1)))}
    for name, estimator in estimators.items():
        fit = seconds(lambda e=estimator: e.fit(learn.X, learn.time, learn.event))
        started = time.process_time()
        survival = estimator.predict_survival(fresh.X, DAYS)
        spent = time.process_time() - started
        one = seconds(lambda e=estimator: e.predict_survival(fresh.X[:1], DAYS), 100)
        table[name] = {
            "score": fresh.score(survival),
            "fit s": fit,
            "packs/s": len(survival) / spent,
            "one pack ms": 1000 * one,
        }
    if options.forest_trees:
        table[f"forest, {options.forest_trees} trees"] = forest_row(learn, fresh, options.forest_trees)
    print(pd.DataFrame(table).T.to_string(float_format=lambda v: f"{v:.4f}" if v < 1 else f"{v:.1f}", na_rep=""))


if __name__ == "__main__":
    main()
