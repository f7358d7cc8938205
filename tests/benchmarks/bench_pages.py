"""Server time and weight of the pages of the parts counter and the fleet office, with a large fleet in the store.

Run from the checkout: ``PYTHONPATH=. python tests/benchmarks/bench_pages.py [vehicles] [requests a page]``. The fleet
is invented, every vehicle out on a top-up; the service runs as shipped, on loopback, and is asked over a socket one
request at a time. "First" is the first request after the start; the others make up median and 99th percentile.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import httpx2 as httpx
import numpy as np

from service.records.records import create
from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS
from service.records.versions import Writer
from service.store.upgrading import open_store
from tests.service.invented_fleet import FAMILIES, fill
from training.files.families import load_families

CHECKOUT = Path(__file__).parents[2]
PAGES = {
    "parts: queue": "/parts",
    "parts: one case": "/parts/cases/MB-00007",
    "parts: stock": "/parts/stock?family=marl-28&on_shelf=3&new_cases_per_day=0.5",
    "parts: suppliers": "/parts/suppliers",
    "fleet: ranking": "/fleet",
    "fleet: ranking of a site": "/fleet?site=north+pier",
    "fleet: deep page": "/fleet?cursor={cursor}",
    "fleet: plan, 8 weeks": "/fleet/plan?slots=5&weeks=8&site=north+pier",
    "fleet: returns": "/fleet/returns",
    "bench: find": "/bench?unit=0042",
    "REST: ranking": "/v1/fleet/ranking",
}
SLOW = {"parts: stock": 10, "fleet: plan, 8 weeks": 5, "fleet: returns": 10, "parts: queue": 20}
"""Pages that are asked for fewer times."""


def prepare(home: Path, vehicles: int) -> None:
    store = open_store(home)
    now = datetime.now(UTC)
    fill(store, vehicles, now)
    with store.writing() as session:
        writer, families = Writer("invented", now), load_families(None)
        create(session, SUPPLIERS, SUPPLIERS.new(**SUPPLIERS.example), families, writer)
        create(session, COSTS, COSTS.new(**COSTS.example), families, writer)
        for family in FAMILIES:
            offer = {**OFFERS.example, "family": family}
            create(session, OFFERS, OFFERS.new(**offer), families, writer)
            create(session, OFFERS, OFFERS.new(**offer, express_fee=190), families, writer)
    store.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def first_view(client: httpx.Client, path: str) -> int:
    """Bytes that a browser fetches to show a page for the first time, as they go over the wire."""
    with client.stream("GET", path, headers={"Accept-Encoding": "gzip"}) as answer:
        total = sum(len(piece) for piece in answer.iter_raw())
    text = client.get(path).text
    for piece in sorted(set(text.split('"'))):
        if piece.startswith("/static/"):
            with client.stream("GET", piece, headers={"Accept-Encoding": "gzip"}) as answer:
                total += sum(len(part) for part in answer.iter_raw())
    return total


def main() -> None:
    vehicles = int(sys.argv[1]) if len(sys.argv) > 1 else 50_000
    times = int(sys.argv[2]) if len(sys.argv) > 2 else 100
    with tempfile.TemporaryDirectory() as name:
        prepare(Path(name), vehicles)
        port = free_port()
        environment = {**os.environ, "TIDEOVER_HOME": name, "PYTHONPATH": str(CHECKOUT), "OMP_NUM_THREADS": "1"}
        command = [sys.executable, "-m", "service.cli", "serve", "--port", str(port)]
        with (
            subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as served,
            httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120) as client,
        ):
            try:
                while served.poll() is None:
                    try:
                        client.get("/healthz")
                        break
                    except httpx.TransportError:
                        time.sleep(0.2)
                report(client, vehicles, times)
            finally:
                served.send_signal(signal.SIGTERM)


def report(client: httpx.Client, vehicles: int, times: int) -> None:
    cursor = client.get("/v1/fleet/ranking", params={"limit": 500}).json()["next_cursor"] or ""
    print(f"{vehicles} vehicles out on a top-up, SQLite; ms on the server's side of a loopback socket")
    print(f"{'page':>26} {'first':>7} {'median':>7} {'p99':>7} {'asked':>6} {'kB, first view':>15}")
    for words, path in PAGES.items():
        address = path.format(cursor=cursor)
        took = []
        for _ in range(1 + min(times, SLOW.get(words, times))):
            began = time.perf_counter()
            answer = client.get(address)
            took.append(1000 * (time.perf_counter() - began))
            assert answer.status_code == 200, f"{address}: {answer.status_code} {answer.text[:300]}"
        middle, late = np.quantile(took[1:], [0.5, 0.99])
        weight = "" if words.startswith("REST") else f"{first_view(client, address) / 1000:.0f}"
        print(f"{words:>26} {took[0]:>7.0f} {middle:>7.0f} {late:>7.0f} {len(took) - 1:>6} {weight:>15}")


if __name__ == "__main__":
    main()
