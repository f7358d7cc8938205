"""One table of how fast everything is, kept as data, and compared with an earlier one.

    python tests/benchmarks/bench_all.py --home FOLDER --out tests/benchmarks/figures/NAME.json
    python tests/benchmarks/bench_all.py --compare tests/benchmarks/figures/ONE.json OTHER.json

Each line is processor time of one thread for one pack, in microseconds (the median of some rounds), and how many
thousandths of a yardstick that is: a fixed piece of array work, timed right before and after each round, so that lines
of two machines, or of a busy and a quiet one, can be compared. The peer is scikit-survival's forest of 100 trees on the
same columns, rows and day grid. All packs are simulated (invented).
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd
from sksurv.ensemble import RandomSurvivalForest

from models.base.day_grid import DAYS
from models.base.errors import TideoverError
from models.forecaster import Forecaster
from models.packs.history import PackHistory
from models.packs.tables import histories_of
from service.core.settings import Settings
from service.forecasting.batch.answers import answered_lines
from service.jobs.work import Task, holding, score
from service.store.bulk import add_rows, table_of
from service.store.opening import Store
from service.store.schema import Pack, Reading, TopUp, Usage
from service.store.upgrading import open_store
from tests.benchmarks.bench_bulk import model_of, standing_packs
from training.files.families import load_families
from training.learning.moments import single_moments

PACKS = 1_000
ROUNDS = 3
SINGLE = 20
HEAVY = 3
PEER_TREES = 100
PEER_FITTED_ON = 500
APART = 1.25
"""A line is called faster or slower beyond this ratio of yardsticks: rounds on a busy machine differ by as much."""


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--home", type=Path, help="state folder with a trained model")
    parser.add_argument("--out", type=Path, help="where to keep the figures")
    parser.add_argument("--compare", type=Path, nargs=2, help="two files of figures: before and now")
    asked = parser.parse_args()
    if asked.compare:
        before, now = (json.loads(path.read_text(encoding="utf-8")) for path in asked.compare)
        print_compared(before, now)
        return
    if asked.home is None:
        parser.error("name a state folder with --home, or two files with --compare")
    figures = measured(asked.home)
    print_figures(figures)
    if asked.out is not None:
        asked.out.parent.mkdir(parents=True, exist_ok=True)
        asked.out.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")


def yardstick() -> float:
    """Processor time of a fixed piece of array work, s."""
    rng = np.random.default_rng(0)
    values = rng.random((400, 400))
    began = time.process_time()
    for _ in range(4):
        np.exp(-np.sort(values, axis=1) @ values / 400).sum()
    return time.process_time() - began


def timed(work: Callable[[], Any], packs: int, rounds: int = ROUNDS) -> dict[str, float]:
    """Microseconds of processor time a pack, and the same in thousandths of a yardstick."""
    found = []
    for _ in range(rounds):
        before, began = yardstick(), time.process_time()
        work()
        seconds = time.process_time() - began
        found.append((1e6 * seconds / packs, 1e3 * seconds / packs / ((before + yardstick()) / 2)))
    us, sticks = np.median(found, axis=0)
    return {"us": float(us), "yardsticks": float(sticks)}


def measured(home: Path) -> dict[str, Any]:
    """Measure every line."""
    forecaster, families = model_of(home), load_families()
    tables = standing_packs(PACKS)
    known = [h for h in histories_of(tables) if isinstance(h, PackHistory)]
    alone = [h for h in known if can_be_forecast(forecaster, h)]
    batch, _refused = forecaster.forecast_each(tables)
    X = batch.X
    lines: dict[str, dict[str, float]] = {}
    lines["model alone, curves with band"] = timed(lambda: forecaster.curves(X), len(X))
    lines["model alone, curve without band"] = timed(lambda: forecaster.before_learning(X), len(X))
    lines[f"peer: forest of {PEER_TREES} trees"] = peer(X)
    lines["many at once, from tables"] = timed(lambda: forecaster.forecast_each(tables), PACKS)
    sent = [b'{"history": ' + h.model_dump_json().encode() + b"}" for h in known]
    lines["many at once, lines of JSON"] = timed(
        lambda: list(answered_lines(sent, forecaster, families, threads=1, now=datetime.now(UTC))), len(sent)
    )
    lines["one, in process"] = timed(lambda: [forecaster.forecast(h) for h in alone[:SINGLE]], SINGLE)
    lines["one, what if"] = timed(lambda: [forecaster.what_if(h) for h in alone[:HEAVY]], HEAVY)
    lines["one, recheck"] = timed(lambda: [forecaster.recheck_plan(h) for h in alone[:HEAVY]], HEAVY)
    lines |= jobs(home, [h for h in known if holding(h)])
    machine = {
        "processor": platform.processor() or platform.machine(),
        "cores": os.cpu_count(),
        "load": os.getloadavg(),
    }
    return {"model_id": forecaster.model_id, "machine": machine, "threads": 1, "lines": lines}


def can_be_forecast(forecaster: Forecaster, history: PackHistory) -> bool:
    try:
        forecaster.forecast(history)
    except TideoverError:
        return False
    return True


def peer(X: pd.DataFrame) -> dict[str, float]:
    """Predict the same rows with a forest, missing values as a number of their own."""
    rows = single_moments(standing_packs_with_ends(), np.random.default_rng(3))
    outcome = np.array(
        list(zip(rows.event, np.maximum(rows.time, 0.01), strict=True)), dtype=[("e", bool), ("t", float)]
    )
    forest = RandomSurvivalForest(PEER_TREES, min_samples_leaf=10, random_state=0, n_jobs=1)
    forest.fit(rows.X.fillna(-999.0).to_numpy(np.float32), outcome)
    values = X.fillna(-999.0).to_numpy(np.float32)

    def predict() -> None:
        curves = forest.predict_survival_function(values, return_array=True)
        at = np.clip(np.searchsorted(forest.unique_times_, DAYS, side="right") - 1, 0, None)
        assert curves[:, at].shape == (len(X), len(DAYS))

    return timed(predict, len(X))


def standing_packs_with_ends() -> Any:
    """Simulated packs with what became of them, for the peer to learn from."""
    from training.simulation.cohort import CohortPlan, simulate_cohort

    return simulate_cohort(CohortPlan(packs=PEER_FITTED_ON, seed=8)).tables


def jobs(home: Path, histories: list[PackHistory]) -> dict[str, dict[str, float]]:
    """Run the scoring job over a fresh SQLite store, and once more when nothing is new."""
    with tempfile.TemporaryDirectory() as room:
        place = Path(room)
        shutil.copytree(home / "models", place / "models")
        settings = Settings.from_environment({"TIDEOVER_HOME": str(place)})
        store = open_store(place, None)
        now = max(h.last_fact_time for h in histories) + timedelta(hours=1)
        fill(store, histories, now)
        task = Task(
            store=store,
            settings=settings,
            families=load_families(),
            arguments={},
            by="bench",
            now=lambda: now,
            tell=lambda *_: None,
            finish=lambda *_: None,
        )
        return {
            "scoring job, all due": timed(lambda: score(task), len(histories), rounds=1),
            "scoring job, all standing": timed(lambda: score(task), len(histories), rounds=1),
        }


def fill(store: Store, histories: list[PackHistory], now: Any) -> None:
    """Store histories, moved so that each was seen three days ago."""
    facts = {"version": 1, "recorded_at": now, "recorded_by": "invented"}
    with store.writing() as session:
        heads = [
            {"id": h.pack_id, "family": h.family, "age_years": h.age_years, "odometer_km": h.odometer_km, **facts}
            for h in histories
        ]
        add_rows(session, table_of(Pack), heads)
        for kind, name in ((Reading, "readings"), (TopUp, "topups"), (Usage, "usage")):
            rows: dict[tuple[str, Any], dict[str, Any]] = {}
            for h in histories:
                shift = now - timedelta(days=3) - h.last_fact_time
                for fact in getattr(h, name):
                    time_of = (fact.time or h.topups[0].time) + shift
                    content = {field: getattr(fact, field) for field in type(fact).model_fields}
                    content |= {field: list(content[field]) for field in ("block_v", "blocks") if field in content}
                    rows[h.pack_id, time_of] = {"pack_id": h.pack_id, **content, "time": time_of, **facts}
            add_rows(session, table_of(kind), list(rows.values()))


def print_figures(figures: dict[str, Any]) -> None:
    print(f"model {figures['model_id']}, {figures['machine']}, one thread")
    print(f"{'':34} {'us a pack':>10} {'packs/s':>9} {'yardsticks/1000':>16}")
    for name, line in figures["lines"].items():
        print(f"{name:34} {line['us']:10.1f} {1e6 / line['us']:9.0f} {line['yardsticks']:16.3f}")


def print_compared(before: dict[str, Any], now: dict[str, Any]) -> None:
    print(f"{'':34} {'before':>9} {'now':>9} {'ratio':>6}   in thousandths of a yardstick")
    for name, line in now["lines"].items():
        if (old := before["lines"].get(name)) is None:
            print(f"{name:34} {'':9} {line['yardsticks']:9.3f}")
            continue
        ratio = line["yardsticks"] / old["yardsticks"]
        verdict = "slower" if ratio > APART else "faster" if ratio < 1 / APART else ""
        print(f"{name:34} {old['yardsticks']:9.3f} {line['yardsticks']:9.3f} {ratio:6.2f}   {verdict}")


if __name__ == "__main__":
    main()
