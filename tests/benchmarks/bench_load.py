"""A mixed load on the shipped service, over real sockets on this machine only.

Run from the checkout: ``python tests/benchmarks/bench_load.py [seconds] [clients] [PostgreSQL URL of an empty
database]``. A small model is trained first. Of ten requests five read a record, two list, two record a reading and
one issues a forecast from the stored history.
"""

from __future__ import annotations

import asyncio
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx2 as httpx
import numpy as np

from service.forecasting.model.learning import store_trained
from service.records.subjects.all_subjects import SUBJECTS
from training.learning.fitting import FitSettings, train_forecaster
from training.registry import ModelRegistry
from training.simulation.cohort import CohortPlan, simulate_cohort

CHECKOUT = Path(__file__).parents[2]
START = datetime(2027, 1, 1, tzinfo=UTC)
MIX = ("read",) * 5 + ("list",) * 2 + ("record",) * 2 + ("forecast",)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def make_model(home: Path) -> None:
    cohort = simulate_cohort(CohortPlan(packs=1000, seed=11))
    trained = train_forecaster(
        cohort.tables, truth=cohort.truth, settings=FitSettings(rounds=60, workers=1), made_at=""
    )
    store_trained(ModelRegistry(home / "models"), trained, families=("gravel-14",), created=datetime.now(UTC))


async def client_loop(
    client: httpx.AsyncClient, number: int, until: float, took: dict[str, list[float]], wrong: list[str]
) -> None:
    rng = random.Random(number)
    made = 0
    while time.perf_counter() < until:
        what = rng.choice(MIX)
        request: dict[str, Any] = {"method": "GET", "url": "/v1/readings/1"}
        if what == "list":
            request["url"] = "/v1/readings?limit=20"
        elif what == "record":
            made += 1
            moment = START + timedelta(days=number, seconds=made)
            body = {**next(s.example for s in SUBJECTS if s.name == "readings"), "time": moment.isoformat()}
            request = {"method": "POST", "url": "/v1/readings", "json": {**body, "pack_id": f"P{number}"}}
        elif what == "forecast":
            request = {"method": "POST", "url": "/v1/packs/MB-VAN-07/forecasts", "json": {}}
        began = time.perf_counter()
        response = await client.request(**request)
        took[what].append(time.perf_counter() - began)
        if response.status_code >= 400:
            wrong.append(f"{what}: {response.status_code} {response.text[:200]}")


async def load(address: str, seconds: float, clients: int) -> tuple[dict[str, list[float]], list[str]]:
    took: dict[str, list[float]] = defaultdict(list)
    wrong: list[str] = []
    limits = httpx.Limits(max_connections=clients)
    async with httpx.AsyncClient(base_url=address, timeout=60, limits=limits) as client:
        for subject in SUBJECTS:
            if subject.name != "outcomes":
                (await client.post(f"/v1/{subject.name}", json=dict(subject.example))).raise_for_status()
        for number in range(clients):
            pack = {"id": f"P{number}", "family": "gravel-14"}
            (await client.post("/v1/packs", json=pack)).raise_for_status()
        until = time.perf_counter() + seconds
        await asyncio.gather(*(client_loop(client, n, until, took, wrong) for n in range(clients)))
    return took, wrong


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60
    clients = int(sys.argv[2]) if len(sys.argv) > 2 else 50
    url = sys.argv[3] if len(sys.argv) > 3 else ""
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        make_model(home)
        port = free_port()
        env = {**os.environ, "TIDEOVER_HOME": name, "TIDEOVER_DATABASE": url, "PYTHONPATH": str(CHECKOUT)}
        command = [sys.executable, "-m", "service.cli", "serve", "--port", str(port)]
        with subprocess.Popen(command, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as served:
            address = f"http://127.0.0.1:{port}"
            try:
                for _ in range(100):
                    try:
                        httpx.get(f"{address}/healthz")
                        break
                    except httpx.TransportError:
                        time.sleep(0.2)
                took, wrong = asyncio.run(load(address, seconds, clients))
            finally:
                served.send_signal(signal.SIGTERM)
    total = sum(map(len, took.values()))
    print(f"{'PostgreSQL' if url else 'SQLite'}: {clients} clients, {seconds:g} s, {total / seconds:.0f} requests/s")
    print(f"{'request':>10} {'count':>7} {'p50 ms':>8} {'p99 ms':>8}")
    for what, times in sorted(took.items()):
        low, high = np.quantile(times, [0.5, 0.99]) * 1000
        print(f"{what:>10} {len(times):>7} {low:>8.1f} {high:>8.1f}")
    print(f"answers that were errors: {len(wrong)}", *wrong[:5], sep="\n  ")


if __name__ == "__main__":
    main()
