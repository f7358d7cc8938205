"""Time and memory of simulated cohorts, written as Parquet: all blocks, all readings.

    PYTHONPATH=. python tests/benchmarks/bench_cohort.py --workers 2 1000 10000 100000

Each size runs in a process of its own, so that peaks do not mix. Peak memory is the largest resident size of that
process and, added up, the largest of each of its workers (`/proc`, Linux), sampled ten times a second. The last line
gives the exponent of time against packs from the last two sizes: 1 is linear.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np


class PeakOfWorkers:
    """Samples the resident size of every descendant of this process."""

    def __init__(self) -> None:
        self.peak_kb: dict[int, int] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> PeakOfWorkers:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._stop.wait(0.1):
            for pid in _descendants(os.getpid()):
                self.peak_kb[pid] = max(self.peak_kb.get(pid, 0), _peak_kb(pid))


def _descendants(root: int) -> list[int]:
    parents = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        parents[int(path.parent.name)] = int(fields[1])
    found, level = [], [root]
    while level:
        level = [pid for pid, parent in parents.items() if parent in level]
        found += level
    return found


def _peak_kb(pid: int) -> int:
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("VmHWM")), 0)


def one(packs: int, days: int, workers: int, seed: int) -> None:
    """Simulate one cohort and print its row, numbers only."""
    from training.simulation.cohort import CohortPlan, write_cohort

    with tempfile.TemporaryDirectory() as name, PeakOfWorkers() as watched:
        folder = Path(name)
        start = time.perf_counter()
        write_cohort(folder, CohortPlan(packs, seed, days=days), workers=workers)
        seconds = time.perf_counter() - start
        files = sum(p.stat().st_size for p in folder.rglob("*.parquet"))
        readings = sum(p.stat().st_size for p in (folder / "readings").glob("*.parquet"))
    print(
        packs,
        seconds,
        _peak_kb(os.getpid()) / 1024,
        sum(watched.peak_kb.values()) / 1024,
        files / 2**20,
        readings / 2**20,
    )


def main() -> None:
    """Print one line for each size."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sizes", nargs="*", type=int, default=[1000, 10_000, 100_000])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--days", type=int, default=180)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        one(given.sizes[0], given.days, given.workers, given.seed)
        return
    print(f"{given.days} days, {given.workers} workers, seed {given.seed}")
    names = ("packs", "seconds", "packs/s", "parent MB", "workers MB", "files MB", "readings MB")
    print("".join(f"{name:>13}" for name in names))
    found = []
    for size in given.sizes:
        options = ["--days", str(given.days), "--workers", str(given.workers), "--seed", str(given.seed)]
        command = [sys.executable, __file__, "--one", str(size), *options]
        out = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        packs, seconds, parent, workers, files, readings = map(float, out.split())
        found.append((packs, seconds))
        row = (f"{packs:.0f}", f"{seconds:.1f}", f"{packs / seconds:.0f}", f"{parent:.0f}", f"{workers:.0f}")
        print("".join(f"{value:>13}" for value in (*row, f"{files:.1f}", f"{readings:.1f}")))
    if len(found) > 1:
        (small, fast), (large, slow) = found[-2:]
        print(f"exponent of time against packs: {np.log(slow / fast) / np.log(large / small):.2f}")


if __name__ == "__main__":
    main()
