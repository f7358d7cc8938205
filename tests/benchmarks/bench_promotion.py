"""Promoting and rolling back under load: no failed request, and every answer names the model that made it.

    python tests/benchmarks/bench_promotion.py --requests 10000

Starts the shipped service on loopback and sends it forecasts from several clients while two models take turns as the
current one, by promotion and rollback, as `tideover models` does it. One promotion in ten is of a model whose file was
cut off: it must be refused, and the old one serve on. Each answer's curve is compared with the curve that the model it
names gives; a mix-up counts as a failure. Exits with 1 if anything failed.
"""

from __future__ import annotations

import argparse
import copy
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

from models.forecaster import Forecaster
from service.forecasting.forecasts.answers import answer
from service.forecasting.forecasts.cases import checked_case
from service.forecasting.forecasts.examples import example_case
from service.forecasting.forecasts.schemas import ForecastCase
from service.forecasting.model.learning import store_trained
from training.files.families import load_families
from training.learning.fitting import FitSettings, train_forecaster
from training.registry import ModelRegistry
from training.simulation.cohort import CohortPlan, simulate_cohort


def store_two(registry: ModelRegistry) -> tuple[str, str]:
    """Train a small model, promote it, and store one that differs from it, and one that is cut off."""
    cohort = simulate_cohort(CohortPlan(600, 1), workers=2)
    trained = train_forecaster(cohort.tables, truth=cohort.truth, settings=FitSettings(rounds=20, workers=1))
    families = tuple(sorted(cohort.tables.packs["family"].unique()))
    first = store_trained(registry, trained, families=families, created=datetime.now(UTC)).model_id
    for name in ("second", "cut-off"):
        other = copy.copy(trained.forecaster)
        other.model_id, other.recalibration = name, None
        registry.save(
            other,
            model_id=name,
            report=trained.report.model_dump(mode="json"),
            data_digest="d" * 64,
            seed=0,
            scores={},
            created=datetime.now(UTC),
            families=families,
            card="The same, not recalibrated.",
        )
    return first, "second"


def curves_of(registry: ModelRegistry, names: tuple[str, str]) -> dict[str, np.ndarray]:
    families = load_families()
    case = checked_case(ForecastCase, example_case())
    found = {}
    for name in names:
        given = answer(case, registry.load(name, Forecaster).model, families, threads=1)
        found[given.model_id] = np.array(given.survival)
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--requests", type=int, default=10_000)
    parser.add_argument("--clients", type=int, default=4)
    asked = parser.parse_args()
    home = Path(tempfile.mkdtemp(prefix="tideover-bench-"))
    registry = ModelRegistry(home / "models")
    names = store_two(registry)
    curves = curves_of(registry, names)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    settings = {"TIDEOVER_HOME": str(home), "TIDEOVER_LOG_LEVEL": "error", "PYTHONPATH": str(Path(__file__).parents[2])}
    process = subprocess.Popen(
        [sys.executable, "-m", "service.cli", "serve", "--port", str(port)],
        env=os.environ | settings,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    body = json.dumps(example_case()).encode()
    lock, left, failed, made_by = threading.Lock(), [asked.requests], Counter[str](), Counter[str]()
    slowest = [0.0]

    def client() -> None:
        while True:
            with lock:
                if left[0] == 0:
                    return
                left[0] -= 1
            began = time.perf_counter()
            try:
                request = urllib.request.Request(address + "/v1/forecasts", body, {"Content-Type": "application/json"})
                with urllib.request.urlopen(request, timeout=30) as response:
                    given = json.load(response)
            except (OSError, ValueError) as error:
                with lock:
                    failed[f"{type(error).__name__}: {error}"] += 1
                continue
            right = given["model_id"] in curves and np.allclose(
                given["survival"], curves[given["model_id"]], rtol=0, atol=1e-9
            )
            with lock:
                slowest[0] = max(slowest[0], time.perf_counter() - began)
                made_by[given["model_id"]] += 1
                if not right:
                    failed["an answer that its model does not give"] += 1

    try:
        for _ in range(300):
            try:
                urllib.request.urlopen(address + "/healthz", timeout=1).close()
                break
            except OSError:
                time.sleep(0.1)
        clients = [threading.Thread(target=client) for _ in range(asked.clients)]
        began = time.perf_counter()
        for thread in clients:
            thread.start()
        moves = bad = 0
        payload = registry.folder / "cut-off" / "model.joblib"
        whole = payload.read_bytes()
        while any(thread.is_alive() for thread in clients):
            if moves % 10 == 8:
                # Checked as sound, then cut off before the service reads it: as by a full disk or a bad copy.
                payload.write_bytes(whole)
                registry.promote("cut-off", datetime.now(UTC), "a benchmark")
                payload.write_bytes(whole[:-1000])
                bad += 1
            elif registry.current_id() == names[0]:
                registry.promote(names[1], datetime.now(UTC), "a benchmark")
            else:
                registry.rollback(datetime.now(UTC))
            moves += 1
            time.sleep(0.25)
        took = time.perf_counter() - began
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(timeout=20)
    print(
        f"{asked.requests} requests from {asked.clients} clients in {took:.0f} s ({asked.requests / took:.0f} a second)"
    )
    print(f"{moves} promotions and rollbacks, {bad} of them of a model that was cut off")
    print(f"slowest answer {slowest[0]:.2f} s; answers by model: {dict(made_by)}")
    print(f"failed: {sum(failed.values())} {dict(failed) or ''}")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
