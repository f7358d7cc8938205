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
from collections.abc import Iterator
from contextlib import contextmanager
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
START = datetime(2020, 1, 1, tzinfo=UTC)
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


@contextmanager
def served(
    home: Path,
    database: str,
    program: tuple[str, ...] = ("-m", "service.cli"),
    log: Path = Path(os.devnull),
    **settings: str,
) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """Run the shipped service in a home while the block runs; yield its process and its address."""
    port = free_port()
    env = {**os.environ, "TIDEOVER_HOME": str(home), "TIDEOVER_DATABASE": database, "PYTHONPATH": str(CHECKOUT)}
    command = [sys.executable, *program, "serve", "--port", str(port)]
    log.parent.mkdir(parents=True, exist_ok=True)
    with (
        log.open("wb") as lines,
        subprocess.Popen(command, env=env | settings, stdout=lines, stderr=lines) as process,
    ):
        address = f"http://127.0.0.1:{port}"
        try:
            for _ in range(100):
                try:
                    httpx.get(f"{address}/healthz")
                    break
                except httpx.TransportError:
                    time.sleep(0.2)
            yield process, address
        finally:
            process.send_signal(signal.SIGTERM)


class Client:
    """One of many callers, with its own pack and the mix of requests of all.

    Parameters
    ----------
    client : httpx.AsyncClient
        Shared by all.
    number : int
    """

    def __init__(self, client: httpx.AsyncClient, number: int) -> None:
        self._client = client
        self._number = number
        self._random = random.Random(number)
        self._made = 0

    async def ask(self, took: dict[str, list[float]], wrong: list[str]) -> None:
        """Send one request; note how long it took, and what is wrong with its answer."""
        what = self._random.choice(MIX)
        request: dict[str, Any] = {"method": "GET", "url": "/v1/readings/1"}
        if what == "list":
            request["url"] = "/v1/readings?limit=20"
        elif what == "record":
            self._made += 1
            moment = START + timedelta(days=self._number, seconds=self._made)
            body = {**next(s.example for s in SUBJECTS if s.name == "readings"), "time": moment.isoformat()}
            request = {"method": "POST", "url": "/v1/readings", "json": {**body, "pack_id": f"P{self._number}"}}
        elif what == "forecast":
            request = {"method": "POST", "url": "/v1/packs/MB-VAN-07/forecasts", "json": {}}
        began = time.perf_counter()
        try:
            response = await self._client.request(**request)
        except httpx.TransportError as error:
            wrong.append(f"{what}: {type(error).__name__}")
            return
        took[what].append(time.perf_counter() - began)
        if response.status_code >= 400:
            wrong.append(f"{what}: {response.status_code} {response.text[:200]}")

    async def ask_until(self, until: float, took: dict[str, list[float]], wrong: list[str]) -> None:
        """Send one request after the other."""
        while time.perf_counter() < until:
            await self.ask(took, wrong)


def prepared(address: str, clients: int) -> httpx.AsyncClient:
    """Store the worked examples and a pack for each caller; return what all callers send with."""
    with httpx.Client(base_url=address, timeout=60) as client:
        for subject in SUBJECTS:
            if subject.name != "outcomes":
                client.post(f"/v1/{subject.name}", json=dict(subject.example)).raise_for_status()
        for number in range(clients):
            client.post("/v1/packs", json={"id": f"P{number}", "family": "gravel-14"}).raise_for_status()
    limits = httpx.Limits(max_connections=clients)
    return httpx.AsyncClient(base_url=address, timeout=60, limits=limits)


async def load(address: str, seconds: float, clients: int) -> tuple[dict[str, list[float]], list[str]]:
    took: dict[str, list[float]] = defaultdict(list)
    wrong: list[str] = []
    async with prepared(address, clients) as client:
        until = time.perf_counter() + seconds
        await asyncio.gather(*(Client(client, n).ask_until(until, took, wrong) for n in range(clients)))
    return took, wrong


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60
    clients = int(sys.argv[2]) if len(sys.argv) > 2 else 50
    url = sys.argv[3] if len(sys.argv) > 3 else ""
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        make_model(home)
        with served(home, url) as (_, address):
            took, wrong = asyncio.run(load(address, seconds, clients))
    total = sum(map(len, took.values()))
    print(f"{'PostgreSQL' if url else 'SQLite'}: {clients} clients, {seconds:g} s, {total / seconds:.0f} requests/s")
    print(f"{'request':>10} {'count':>7} {'p50 ms':>8} {'p99 ms':>8}")
    for what, times in sorted(took.items()):
        low, high = np.quantile(times, [0.5, 0.99]) * 1000
        print(f"{what:>10} {len(times):>7} {low:>8.1f} {high:>8.1f}")
    print(f"answers that were errors: {len(wrong)}", *wrong[:5], sep="\n  ")


if __name__ == "__main__":
    main()
