"""Recheck tables against the simulator's own truth, on simulated packs that neither model nor bank has seen.

    python tests/benchmarks/bench_recheck.py --home FOLDER --packs 300

Each held-out pack gets its recheck plan from its readings alone. Then its own hidden state is driven forward again and
again, read by the simulator's own meter on the day of the recheck, and followed on: does the row of the table in which
the reading falls keep its word? Printed by what the rows promise: how often the promised days were held (to be one less
the risk), and returns within one and two weeks, told and seen; and how often each row was met, told and seen. All data
are simulated (invented).
"""

from __future__ import annotations

import argparse
import os
import time
from dataclasses import dataclass, field
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd
from pydantic import ValidationError

from models.base.day_grid import HORIZON_DAYS
from models.base.errors import TideoverError
from models.forecaster import Forecaster
from models.interventions.forward_runs import Ready, run_plans
from models.interventions.plans import PRESENT
from models.packs.tables import history_of
from models.physics.imbalance import deviation_v
from tests.benchmarks.bench_what_if import model_of, one_each
from training.simulation.bank import ready_packs
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.meters import MeterQuality, VisitFaults, read_blocks
from training.simulation.workshop import WorkshopHabits

METERS = MeterQuality(missing_channel=0, stuck_channel=0, swapped_leads=0, wrong_clock=0)
"""A table says what a sound reading means."""


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--home", type=Path, required=True, help="state folder with a trained model")
    parser.add_argument("--packs", type=int, default=300)
    parser.add_argument("--runs", type=int, default=60, help="true futures of each pack")
    parser.add_argument("--risk", type=float, default=0.1)
    parser.add_argument("--seed", type=int, default=98)
    parser.add_argument("--worlds", type=int, help="held-out worlds to draw the packs from; the usual one if not given")
    asked = parser.parse_args()

    print_all(collect(model_of(asked.home), asked.packs, asked.runs, asked.risk, asked.seed, asked.worlds), asked.risk)


@dataclass
class Collected:
    """Readings that were taken, each with the row it fell in and what followed; and of the plans, a value each."""

    rows: list[pd.DataFrame] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    days: list[int] = field(default_factory=list)
    worth: list[float] = field(default_factory=list)
    without: int = 0
    left_out: int = 0


def collect(forecaster: Forecaster, packs: int, runs: int, risk: float, seed: int, worlds: int | None) -> Collected:
    """Plan the recheck of held-out packs, and read them on that day in each of their true futures."""
    rng = np.random.default_rng(seed)
    plan = CohortPlan(2 * packs, seed, habits=WorkshopHabits(replaces=False), keep_states=True, worlds=worlds)
    cohort = simulate_cohort(plan)
    cases = [(ready, moments, row) for ready, moments in ready_packs(cohort) for row in one_each(moments, rng)]
    found = Collected()
    for number in rng.permutation(len(cases)):
        if len(found.seconds) == packs:
            break
        ready, moments, row = cases[number]
        began = time.process_time()
        try:
            history = history_of(cohort.tables, str(moments["pack_id"].iloc[row]))
            told = forecaster.recheck_plan(history, risk, moments["origin"].iloc[row].to_pydatetime())
        except (TideoverError, ValidationError):  # a stop, or a simulated note that nobody could have written
            found.left_out += 1
            continue
        found.seconds.append(time.process_time() - began)
        if told.day is None:
            found.without += 1
            continue
        found.days.append(told.day)
        found.worth.append(told.worth_days)
        met = followed(ready.take(np.array([row])).repeat(runs), told, np.random.default_rng(number))
        found.rows += [] if met is None else [met.assign(pack=f"{seed}/{number}")]
    return found


def print_all(found: Collected, risk: float) -> None:
    print(f"{len(found.seconds)} packs, {found.left_out} left out; {found.without} pass {risk:.0%} within a day")
    print(
        f"{np.mean(found.seconds):.2f} s of one core a plan; recheck after {np.median(found.days):.0f} days (median), "
        f"worth {np.mean(found.worth):.1f} days of use on average"
    )
    print_rows(pd.concat(found.rows, ignore_index=True), risk)


def followed(pack: Ready, told, rng: np.random.Generator) -> pd.DataFrame | None:
    """Drive one pack forward n times, read it on the day of the recheck and look its readings up in the table.

    None if it never held until then.
    """
    read: dict[str, np.ndarray] = {}

    def look(step, _, run, state, use) -> None:
        n, blocks = len(run), pack.state.blocks
        shot = read_blocks(
            pack.family, state, "rest", use.ambient_c(pack.day[run] + step).astype(np.float64),
            np.ones(n, dtype=bool), VisitFaults.draw(METERS, blocks, n, rng), METERS, rng,
        )  # fmt: skip
        read["run"] = run
        read["below"] = -1e3 * deviation_v(shot.block_v)[np.arange(n), pack.block[run]]

    returned = run_plans(pack, (PRESENT,), rng, HORIZON_DAYS, look=look, look_on=(told.day,))[0]
    if "run" not in read:
        return None
    edges = np.array([row.high_mv for row in told.table[:-1]])
    place = np.searchsorted(edges, read["below"], side="right")
    further = returned[read["run"]] - told.day
    table = pd.DataFrame([vars(row) for row in told.table]).drop(columns=["low_mv", "high_mv", "share"])
    shares = {f"told {k}": row.share for k, row in enumerate(told.table)}
    out = table.iloc[place].reset_index(drop=True)
    return out.assign(row=place, further=further, rows=len(table), **shares)


def print_rows(rows: pd.DataFrame, risk: float) -> None:
    """Print what came true; every future counts alike: a table speaks of packs that hold until it is read."""
    rows["held"] = rows["further"] >= rows["good_for_days"]
    promise = pd.cut(rows["good_for_days"], [0, 1, 3, 7, 14, 30, 60, 89.99, 90.01], right=False)
    print("\npromise of the row   readings   held it (wanted)     back in 7: told seen   back in 14: told seen")
    for label, part in [*rows.groupby(promise, observed=True), ("all", rows)]:
        told, seen = part[["return_7", "return_14"]].mean(), [(part["further"] <= day).mean() for day in (7, 14)]
        wanted = "       " if part["beyond_horizon"].any() else f"({1 - risk:.3f})"
        print(
            f"{label!s:18s} {len(part):9d}   {part['held'].mean():.3f} {wanted}              "
            f"{told['return_7']:.3f} {seen[0]:.3f}              {told['return_14']:.3f} {seen[1]:.3f}"
        )
    sure = rows[~rows["beyond_horizon"]]
    off = (sure["held"] - sure["held"].mean()).groupby(sure["pack"]).sum()
    error = np.sqrt((off**2).sum()) / len(sure)
    print(f"\nheld what was promised: {sure['held'].mean():.3f}, wanted {1 - risk:.3f}, standard error {error:.3f}")
    many = rows[rows["rows"] > 1]
    told = many[[c for c in many if c.startswith("told ")]].to_numpy(np.float64)
    last = (many["rows"] - 1).to_numpy()
    print(f"\nof {many['pack'].nunique()} tables of several rows   told share   seen share")
    for title, place in (("first row", np.zeros(len(many), dtype=np.intp)), ("last row", last)):
        share, seen = told[np.arange(len(many)), place].mean(), (many["row"].to_numpy() == place)
        off = pd.Series(seen - told[np.arange(len(many)), place]).groupby(many["pack"].to_numpy()).sum()
        error = np.sqrt(((off - off.mean()) ** 2).sum()) / len(many)
        print(f"{title:30s}{share:13.3f}{seen.mean():13.3f}   standard error of the difference {error:.3f}")


if __name__ == "__main__":
    main()
