"""Many packs from folder to folder: packs a second of processor time, memory, and parity with single forecasts.

    python tests/benchmarks/bench_bulk.py --home FOLDER --packs 10000 100000 1000000 --parity 10000

The packs are simulated (invented): so many of them, and copies of those under other names, each as things stood at its
newest moment before its end. Each size is scored by a process of its own, so that its peak memory is its own. Parity is
the largest difference of any figure of a curve, over packs that are forecast one by one as well; refusals must be the
same, word for word. All figures are of one process with one thread; other load on the machine makes them worse.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd
from pydantic import ValidationError

from models.base.errors import TideoverError
from models.forecaster import Forecaster
from models.packs.tables import HistoryTables, histories_of, known_at
from service.forecasting.bulk.scoring import score_folder
from training.files.families import load_families
from training.learning.moments import moments_of
from training.registry import ModelRegistry
from training.simulation.cohort import CohortPlan, simulate_cohort

SIMULATED = 10_000
"""Packs that differ; larger folders hold copies of them."""

GROUP_ROWS = 200_000


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--home", type=Path, required=True, help="state folder with a trained model")
    parser.add_argument("--packs", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument("--parity", type=int, default=0, help="packs that are forecast one by one as well")
    parser.add_argument("--score", type=Path, nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.score is not None:
        print(json.dumps(scored(asked.home, *asked.score)))
        return
    tables = standing_packs(max(min(max(asked.packs), SIMULATED), asked.parity))
    if asked.parity:
        print_parity(model_of(asked.home), tables, asked.parity)
    print(f"{'packs':>9} {'readings':>9} {'refused':>8} {'s':>7} {'packs/s':>8} {'peak MB':>8}")
    for packs in asked.packs:
        figures = in_a_process(asked.home, tables, packs)
        told = [figures[name] for name in ("packs", "readings", "refused", "seconds", "rate", "peak_mb")]
        print("{:9d} {:9d} {:8d} {:7.1f} {:8.0f} {:8.0f}".format(*told), flush=True)


def model_of(home: Path) -> Forecaster:
    return ModelRegistry(home / "models").load_current(Forecaster).model


def standing_packs(packs: int) -> HistoryTables:
    """Simulate packs and keep what was known at the newest moment of each before its end."""
    tables = simulate_cohort(CohortPlan(packs=packs, seed=7)).tables
    moments = moments_of(tables, np.random.default_rng(0)).sort_values("origin", kind="stable")
    newest = moments.groupby("pack_id", sort=False).tail(1)
    return known_at(tables, newest[["pack_id", "origin"]])


def write_copies(tables: HistoryTables, packs: int, folder: Path) -> int:
    """Write a folder of so many packs; return how many readings they have."""
    base = tables.of_packs(tables.packs["pack_id"].iloc[:packs])
    times = -(-packs // len(base.packs))
    for name, frame in base.frames().items():
        (folder / name).mkdir(parents=True)
        for copy in range(times):
            mine = frame.assign(pack_id=frame["pack_id"].astype(object) + f"-{copy}")
            mine.to_parquet(folder / name / f"part-{copy:04d}.parquet", index=False, row_group_size=GROUP_ROWS)
    return times * len(base.readings)


def in_a_process(home: Path, tables: HistoryTables, packs: int) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as room:
        readings = write_copies(tables, packs, Path(room) / "in")
        command = [sys.executable, __file__, "--home", str(home), "--score", f"{room}/in", f"{room}/out"]
        ran = subprocess.run(command, check=True, capture_output=True, text=True)
    return {**json.loads(ran.stdout), "readings": readings}


def scored(home: Path, source: Path, target: Path) -> dict[str, float]:
    """Score a folder in this process."""
    forecaster = model_of(home)
    began = time.process_time()
    came = score_folder(forecaster, source, target, load_families())
    seconds = time.process_time() - began
    packs = came.forecasts + came.refused
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"packs": packs, "refused": came.refused, "seconds": seconds, "rate": packs / seconds, "peak_mb": peak}


def print_parity(forecaster: Forecaster, tables: HistoryTables, packs: int) -> None:
    """Forecast packs together and one by one, and print how far they differ."""
    some = tables.of_packs(tables.packs["pack_id"].iloc[:packs])
    batch, refused = forecaster.forecast_each(some)
    rows = pd.Series(np.arange(len(batch)), index=batch.moments["pack_id"])
    errors = {one.pack_id: str(one.error) for one in refused}
    worst, other = 0.0, 0
    for pack_id, history in zip(some.packs["pack_id"], histories_of(some), strict=True):
        if isinstance(history, ValidationError):
            other += pack_id not in errors
            continue
        try:
            one = forecaster.forecast(history)
        except TideoverError as error:
            other += errors.get(pack_id) != str(error)
            continue
        row = rows.get(pack_id)
        if row is None:
            other += 1
            continue
        pairs = ((one.survival, batch.survival), (one.band_low, batch.band_low), (one.band_high, batch.band_high))
        worst = max(worst, *(float(np.abs(mine - many[row]).max()) for mine, many in pairs))
    print(f"parity on {len(some.packs)} packs: largest difference {worst:.1e}, {other} refused otherwise")


if __name__ == "__main__":
    main()
