"""What-if answers against the simulator's own truth, on simulated packs that neither model nor bank has seen.

    python tests/benchmarks/bench_what_if.py --home FOLDER --packs 200

For each held-out pack the answer is the shipped one, made from its readings alone; the truth is its own hidden state
run forward under the plan again and again. Printed by plan: probability of a return within 14 days, true and answered,
the mean error, which no forecaster may have, and the mean absolute error, which one that cannot see inside must have;
then how often two plans that truly differ by more than 0.1 are put in the right order and, with --blind, how that would
be without any evidence (every simulated pack of the family weighed alike). All data are simulated (invented).
"""

from __future__ import annotations

import argparse
import os
import time
from copy import copy
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd
from pydantic import ValidationError

from models.base.day_grid import DAYS
from models.base.errors import TideoverError
from models.forecaster import Forecaster
from models.interventions.forward_runs import run_plans
from models.interventions.plans import PRESENT, USUAL_PLANS
from models.packs.tables import history_of
from training.files.families import load_families
from training.learning.moments import one_moment_a_pack
from training.registry import ModelRegistry
from training.simulation.bank import bank_of, ready_packs, simulate_bank
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

PLANS = (PRESENT, *USUAL_PLANS)
DAY = 14.0
APART = 0.1


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--home", type=Path, required=True, help="state folder with a trained model")
    parser.add_argument("--packs", type=int, default=200)
    parser.add_argument("--runs", type=int, default=100, help="true futures of each pack and plan")
    parser.add_argument("--blind", action="store_true", help="also answer without any evidence; takes twice as long")
    parser.add_argument("--seed", type=int, default=99)
    parser.add_argument("--worlds", type=int, help="held-out worlds to draw the packs from; the usual one if not given")
    asked = parser.parse_args()
    print_all(collect(model_of(asked.home), asked.packs, asked.runs, asked.seed, asked.worlds, blind=asked.blind))


def model_of(home: Path) -> Forecaster:
    """Return the current model, with a bank if it was stored before there were any."""
    forecaster: Forecaster = ModelRegistry(home / "models").load_current(Forecaster).model
    if forecaster.bank is None:
        began = time.perf_counter()
        forecaster.bank = bank_of(simulate_bank(load_families(), seed=0, workers=2), forecaster.summary)
        print(f"the model held no bank; one was simulated in {time.perf_counter() - began:.0f} s")
    return forecaster


@dataclass
class Collected:
    """Answers and truth, a row a pack: returns within 14 days by plan, what was not told apart, packs, seconds."""

    true: list[np.ndarray] = field(default_factory=list)
    told: list[list[float]] = field(default_factory=list)
    unweighed: list[list[float]] = field(default_factory=list)
    verdicts: list[set[frozenset[str]]] = field(default_factory=list)
    effective: list[float] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    left_out: int = 0


def collect(forecaster: Forecaster, packs: int, runs: int, seed: int, worlds: int | None, *, blind: bool) -> Collected:
    """Ask about held-out packs and run their true states forward."""
    nothing = copy(forecaster)
    if blind:
        nothing.summary = lambda X: np.zeros((len(X), 1))  # type: ignore[method-assign]
        nothing.bank = forecaster.bank.summarised(nothing.summary)
    rng = np.random.default_rng(seed)
    plan = CohortPlan(3 * packs, seed, habits=WorkshopHabits(replaces=False), keep_states=True, worlds=worlds)
    cohort = simulate_cohort(plan)
    cases = [(ready, moments, row) for ready, moments in ready_packs(cohort) for row in one_each(moments, rng)]
    found = Collected()
    for number in rng.permutation(len(cases)):
        if len(found.true) == packs:
            break
        ready, moments, row = cases[number]
        at = moments["origin"].iloc[row].to_pydatetime()
        began = time.process_time()
        try:
            history = history_of(cohort.tables, str(moments["pack_id"].iloc[row]))
            answer = forecaster.what_if(history, at=at)
        except (TideoverError, ValidationError):  # a stop, or a simulated note that nobody could have written
            found.left_out += 1
            continue
        if tuple(p.plan for p in answer.plans) != PLANS:  # a plan that does not suit the pack is not answered
            found.left_out += 1
            continue
        found.seconds.append(time.process_time() - began)
        found.effective.append(answer.effective_packs)
        futures = run_plans(ready.take(np.array([row])).repeat(runs), PLANS, np.random.default_rng(number), DAY)
        found.true.append(np.isfinite(futures).mean(axis=1))
        found.told.append([1 - p.survival[DAYS == DAY][0] for p in answer.plans])
        if blind:
            found.unweighed.append([1 - p.survival[DAYS == DAY][0] for p in nothing.what_if(history, at=at).plans])
        found.verdicts.append({frozenset(pair) for pair in answer.cannot_tell})
    return found


def print_all(found: Collected) -> None:
    truth, told = np.array(found.true), np.array(found.told)
    print(f"{len(truth)} packs, {found.left_out} left out; {np.mean(found.seconds):.2f} s of one core an answer")
    print(f"effective packs: median {np.median(found.effective):.0f}, least {np.min(found.effective):.0f}\n")
    print_plans(truth, told)
    print_order("with the evidence", truth, told, found.verdicts)
    if found.unweighed:
        print_order("without evidence", truth, np.array(found.unweighed), None)


def one_each(moments: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Draw at most one moment of each pack.

    Which one is drawn beforehand: a draw among the moments that there are would favour releases of packs soon back.
    """
    return np.flatnonzero(one_moment_a_pack(moments, rng))


def print_plans(truth: np.ndarray, answered: np.ndarray) -> None:
    error = answered - truth
    gain = error - error[:, :1]
    print(f"{'return within 14 days':26s}  true  told   mean error (s.e.)  mean abs.   beyond the present plan's error")
    for place, plan in enumerate(PLANS):
        spread = error[:, place].std(ddof=1) / np.sqrt(len(error))
        print(
            f"{plan.name:26s} {truth[:, place].mean():5.3f} {answered[:, place].mean():5.3f}   "
            f"{error[:, place].mean():+.3f} ({spread:.3f})     {np.abs(error[:, place]).mean():.3f}       "
            f"{gain[:, place].mean():+.3f}"
        )
    print()


def print_order(title: str, truth: np.ndarray, answered: np.ndarray, verdicts: list | None) -> None:
    names = [plan.name for plan in PLANS]
    right, apart, sure, sure_right, present, present_right = 0, 0, 0, 0, 0, 0
    for one, other in combinations(range(len(PLANS)), 2):
        true, told = truth[:, one] - truth[:, other], answered[:, one] - answered[:, other]
        for row in np.flatnonzero(np.abs(true) > APART):
            good = np.sign(true[row]) == np.sign(told[row])
            apart, right = apart + 1, right + good
            if one == 0:
                present, present_right = present + 1, present_right + good
            if verdicts is not None and frozenset((names[one], names[other])) not in verdicts[row]:
                sure, sure_right = sure + 1, sure_right + good
    print(f"{title}: of {apart} pairs of plans that truly differ by more than {APART:g}, {right / apart:.1%} in order")
    print(f"  against the present plan: {present_right / present:.1%} of {present}")
    if verdicts is not None:
        print(f"  of the {sure} pairs that the answer dared to tell apart: {sure_right / sure:.1%}")


if __name__ == "__main__":
    main()
