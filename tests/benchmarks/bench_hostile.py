"""The slow client, the bomb and the crowd, against the shipped service and command line, over real sockets.

Run from the checkout: ``python tests/benchmarks/bench_hostile.py [slow,bomb,crowd]``. A small model is trained first.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

import httpx2 as httpx
import numpy as np

from service.forecasting.forecasts.examples import example_case
from tests.benchmarks.bench_load import CHECKOUT, make_model, served
from tests.service.exchange.imports import bombs
from training.files.families import load_families

HALF_SENT = 1_200
CLIENTS, EACH, PATIENCE_S = 200, 10, 3.0
WAIT_S = 13
"""Longer than a header may take."""

BOMBS = ("one_text_in_every_row", "a_page_of_half_a_gigabyte", "all_rows_alike", "wide", "nested")
TIMED = """
import os, resource, sys, time
began = time.perf_counter()
status = os.spawnv(os.P_WAIT, sys.argv[1], sys.argv[1:])
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(status, time.perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1000, file=sys.stderr)
"""


def health(address: str) -> tuple[str, float]:
    """Ask whether it lives; return the status, and how long that took."""
    began = time.perf_counter()
    try:
        said = str(httpx.get(f"{address}/healthz", timeout=30).status_code)
    except httpx.HTTPError as error:
        said = type(error).__name__
    return said, time.perf_counter() - began


def peak_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) / 1000 for line in lines if line.startswith("VmHWM"))


def slow(home: Path) -> None:
    log = home / "service.log"
    with served(home, "", log=log) as (process, address):
        host, port = address.removeprefix("http://").split(":")
        held = []
        for _ in range(HALF_SENT):
            one = socket.create_connection((host, int(port)), timeout=30)
            one.sendall(b"GET / HTTP/1.1\r\nX-Slow: ")
            held.append(one)
        said, took = health(address)
        handles = len(list(Path(f"/proc/{process.pid}/fd").iterdir()))
        print(f"slow client: {HALF_SENT} half-sent headers, {handles} handles")
        print(f"  /healthz from the same address: {said} in {took:.2f} s")
        time.sleep(WAIT_S)
        said, took = health(address)
        ended = sum(1 for one in held if _has_ended(one))
        handles = len(list(Path(f"/proc/{process.pid}/fd").iterdir()))
        print(f"  after {WAIT_S} s: {ended} of them ended, /healthz {said} in {took:.2f} s, {handles} handles, "
              f"{log.stat().st_size} bytes of log")  # fmt: skip
        for one in held:
            one.close()


def _has_ended(one: socket.socket) -> bool:
    one.settimeout(1)
    try:
        while one.recv(1_000):
            pass
    except TimeoutError:
        return False
    except OSError:
        return True
    return True


def bomb(home: Path) -> None:
    case = example_case()
    family = load_families()[case["history"]["family"]].model_dump(mode="json")
    edge = b'--e\r\nContent-Disposition: form-data; name="key"\r\n\r\n' + b"-" * 7_000 + b"\r\n--e--\r\n"
    form = {"Content-Type": "multipart/form-data; boundary=e; charset=punycode"}
    plan = {"history": case["history"], "family": family | {"rated_ah": 1e308}}
    with served(home, "") as (process, address):
        httpx.post(f"{address}/v1/topup-plans", json=case, timeout=60)
        idle = peak_mb(process.pid)
        for title, request in (
            ("sign-in with charset=punycode, 7 kB", {"url": "/sign-in", "content": edge, "headers": form}),
            ("top-up plan, inline family of 1e308 Ah", {"url": "/v1/topup-plans", "json": plan}),
        ):
            began = time.perf_counter()
            answer = httpx.post(address + str(request.pop("url")), timeout=60, **request)
            took = time.perf_counter() - began
            print(f"{title}: {answer.status_code} in {took:.2f} s, {peak_mb(process.pid) - idle:.0f} MB above idle")
    for name in BOMBS:
        path = home / f"{name}.parquet"
        subprocess.run([sys.executable, "-m", bombs.__name__, name, str(path)], check=True, env=ours(home))
        weigh(f"import of a Parquet file, {name}", path, home, "import", "--dry-run", str(path))
    path = home / "logger.csv"
    path.write_text("time," + "9" * 30_000 + "\n1,2\n", encoding="utf-8")
    weigh("guess at a heading of 30,000 digits", path, home, "guess", str(path))


def ours(home: Path) -> dict[str, str]:
    return os.environ | {"TIDEOVER_HOME": str(home), "PYTHONPATH": str(CHECKOUT)}


def weigh(title: str, path: Path, home: Path, *arguments: str) -> None:
    """Run a command of the program, and print what it took."""
    command = [sys.executable, "-c", TIMED, sys.executable, "-m", "service.cli", *arguments]
    done = subprocess.run(command, env=ours(home), capture_output=True, text=True, check=True)
    status, seconds, busy, most = done.stderr.splitlines()[-1].split()
    print(f"{title}, {path.stat().st_size / 1000:.1f} kB: status {status}, {float(seconds):.1f} s "
          f"({float(busy):.1f} s of processor), {float(most):.0f} MB at most")  # fmt: skip


async def crowd_at(address: str, body: bytes) -> tuple[Counter[str], list[float], list[float]]:
    counted: Counter[str] = Counter()
    took: list[float] = []
    alive: list[float] = []
    going = True

    async def caller(client: httpx.AsyncClient) -> None:
        for _ in range(EACH):
            began = time.perf_counter()
            try:
                answer = await client.post("/v1/forecasts", content=body, headers={"Content-Type": "application/json"})
            except httpx.HTTPError as error:
                counted[type(error).__name__] += 1
                continue
            counted[str(answer.status_code)] += 1
            if answer.status_code == 200:
                took.append(time.perf_counter() - began)
            else:
                await asyncio.sleep(float(answer.headers.get("Retry-After", 1)))

    async def watch(client: httpx.AsyncClient) -> None:
        while going:
            began = time.perf_counter()
            await client.get("/healthz", timeout=60)
            alive.append(time.perf_counter() - began)
            await asyncio.sleep(0.3)

    limits: Any = httpx.Limits(max_connections=CLIENTS)
    async with (
        httpx.AsyncClient(base_url=address, timeout=PATIENCE_S, limits=limits) as client,
        httpx.AsyncClient(base_url=address) as watcher,
    ):
        watching = asyncio.ensure_future(watch(watcher))
        await asyncio.gather(*(caller(client) for _ in range(CLIENTS)))
        going = False
        await watching
    return counted, took, alive


def crowd(home: Path) -> None:
    body = json.dumps(example_case()).encode()
    with served(home, "") as (_, address):
        httpx.post(f"{address}/v1/forecasts", content=body, headers={"Content-Type": "application/json"}, timeout=60)
        began = time.perf_counter()
        counted, took, alive = asyncio.run(crowd_at(address, body))
        seconds = time.perf_counter() - began
        said, after = health(address)
    print(f"crowd: {CLIENTS} clients of {PATIENCE_S:g} s of patience, {EACH} forecasts each, {seconds:.0f} s: "
          f"{dict(counted)}")  # fmt: skip
    if took:
        print(f"  answered: p50 {np.median(took):.2f} s, p99 {np.quantile(took, 0.99):.2f} s")
    print(f"  /healthz meanwhile at most {max(alive):.2f} s, after it {said} in {after:.2f} s")


def main() -> None:
    wanted = sys.argv[1].split(",") if len(sys.argv) > 1 else ["slow", "bomb", "crowd"]
    with tempfile.TemporaryDirectory() as name:
        make_model(Path(name))
        print(f"load of the machine {os.getloadavg()[0]:.1f}")
        for each in wanted:
            {"slow": slow, "bomb": bomb, "crowd": crowd}[each](Path(name))
        print(f"load of the machine {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
