"""Memory and open handles of the shipped service at half of the peak load, for as long as one likes.

Run from the checkout: ``python tests/benchmarks/bench_soak.py [seconds] [clients] [samples file] [PostgreSQL URL of an
empty database]``. First the peak: every client sends its next request as soon as it has its answer. Then the mix of
``bench_load.py`` at half of that many requests a second. Every half minute one line of samples: seconds since then,
resident memory and the part of it that no file stands behind (MB), open handles, threads, load of the machine, requests
sent. Whatever grows with time shows as a slope over the last five sixths, once caches are full.
"""

from __future__ import annotations

import asyncio
import os
import random
import sys
import tempfile
import time
from collections import Counter, defaultdict
from pathlib import Path

import httpx2 as httpx
import numpy as np

from tests.benchmarks.bench_load import Client, make_model, prepared, served

PEAK_SECONDS = 45
EVERY_SECONDS = 30
COLUMNS = ("seconds", "resident_mb", "anonymous_mb", "handles", "threads", "load", "requests")


def status_of(pid: int) -> dict[str, str]:
    lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    return dict(line.split(":", 1) for line in lines)


def sample(pid: int, seconds: float, sent: int) -> tuple[float, ...]:
    """Look at the service once."""
    status = status_of(pid)
    resident, anonymous = (int(status[name].split()[0]) / 1000 for name in ("VmRSS", "RssAnon"))
    handles = sum(1 for _ in Path(f"/proc/{pid}/fd").iterdir())
    return seconds, resident, anonymous, handles, int(status["Threads"]), os.getloadavg()[0], sent


async def soak(
    client: httpx.AsyncClient, pid: int, seconds: float, clients: int, file: Path
) -> tuple[float, float, np.ndarray, dict[str, list[float]], list[str]]:
    """Return peak and sent requests/s, the samples, times by kind, and wrong answers."""
    took: dict[str, list[float]] = defaultdict(list)
    wrong: list[str] = []
    all_of_them = [Client(client, number) for number in range(clients)]
    until = time.perf_counter() + PEAK_SECONDS
    await asyncio.gather(*(one.ask_until(until, took, wrong) for one in all_of_them))
    peak = sum(map(len, took.values())) / PEAK_SECONDS
    took.clear()
    wrong.clear()
    began = time.perf_counter()
    apart = 2 * clients / peak

    async def pace(one: Client, rng: random.Random) -> None:
        due = began + rng.uniform(0, apart)
        while due < began + seconds:
            await asyncio.sleep(max(0.0, due - time.perf_counter()))
            await one.ask(took, wrong)
            due = max(due + apart, time.perf_counter())

    samples: list[tuple[float, ...]] = []

    async def watch() -> None:
        with file.open("w", encoding="utf-8") as out:
            print(*COLUMNS, sep=",", file=out)
            while (now := time.perf_counter() - began) < seconds:
                samples.append(sample(pid, now, sum(map(len, took.values()))))
                print(*(f"{value:.1f}" for value in samples[-1]), sep=",", file=out, flush=True)
                await asyncio.sleep(EVERY_SECONDS)

    await asyncio.gather(watch(), *(pace(one, random.Random(n)) for n, one in enumerate(all_of_them)))
    sent = sum(map(len, took.values())) / (time.perf_counter() - began)
    return peak, sent, np.array(samples), took, wrong


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 3600
    clients = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    file = Path(sys.argv[3]) if len(sys.argv) > 3 else Path("samples.csv")
    url = sys.argv[4] if len(sys.argv) > 4 else ""

    async def run(address: str, pid: int) -> tuple[float, float, np.ndarray, dict[str, list[float]], list[str]]:
        async with prepared(address, clients) as client:
            return await soak(client, pid, seconds, clients, file)

    with tempfile.TemporaryDirectory() as name:
        make_model(Path(name))
        with served(Path(name), url) as (process, address):
            peak, sent, samples, took, wrong = asyncio.run(run(address, process.pid))
    kind = "PostgreSQL" if url else "SQLite"
    total = sum(map(len, took.values()))
    print(f"{kind}: {clients} clients, peak {peak:.0f} requests/s; {total} in {seconds:g} s, {sent:.0f} requests/s")
    late = samples[samples[:, 0] >= seconds / 6]
    hours = late[:, 0] / 3600
    for column, title in enumerate(COLUMNS[1:-1], 1):
        values = late[:, column]
        slope = np.polyfit(hours, values, 1)[0] if len(values) > 1 else 0.0
        print(f"{title:>13}: first {samples[0, column]:.1f}, after a sixth {values[0]:.1f}, last {values[-1]:.1f}, "
              f"from {values.min():.1f} to {values.max():.1f}, {slope:+.1f} an hour")  # fmt: skip
    for what, times in sorted(took.items()):
        low, high = np.quantile(times, [0.5, 0.99]) * 1000
        print(f"{what:>13}: {len(times)} requests, p50 {low:.1f} ms, p99 {high:.1f} ms")
    kinds = Counter(line[:18] for line in wrong)
    print(
        f"answers that were errors: {len(wrong)}", *(f"{count} x {kind}" for kind, count in kinds.items()), sep="\n  "
    )


if __name__ == "__main__":
    main()
