"""Speed and memory of importing one million readings into SQLite.

Run from the checkout: ``python tests/benchmarks/bench_import.py [rows]``. Everything is made up and written to a
temporary folder. The table printed gives rows a second and the peak memory of the process; memory that does not grow
with the rows shows that files are streamed.
"""

from __future__ import annotations

import csv
import resource
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from service.exchange.imports.loading import import_files
from service.records.versions import Writer
from service.store.upgrading import open_store
from training.files.families import load_families

PACKS = 200
BLOCKS = 14


def write_tables(folder: Path, rows: int) -> None:
    folder.mkdir()
    with (folder / "packs.csv").open("w", newline="") as file:
        csv.writer(file).writerows([["pack_id", "family"], *([f"P{p}", "gravel-14"] for p in range(PACKS))])
    volts = [f"{13 + b / 100:.2f}" for b in range(BLOCKS)]
    start = datetime(2020, 1, 1, tzinfo=UTC)
    with (folder / "readings.csv").open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(
            ["pack_id", "time", "state", "current_a", "temperature_c", *(f"block_{b + 1}_v" for b in range(BLOCKS))]
        )
        for row in range(rows):
            time_text = (start + timedelta(minutes=row // PACKS)).isoformat()
            out.writerow([f"P{row % PACKS}", time_text, "rest", "0", "21.5", *volts])


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    families = load_families(None)
    print(f"{'rows':>10} {'seconds':>9} {'rows/s':>9} {'peak MiB':>9}")
    for rows in (most // 10, most):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            write_tables(folder / "tables", rows)
            store = open_store(folder / "home")
            started = time.perf_counter()
            report = import_files(store, folder / "tables", families, Writer("bench", datetime.now(UTC)))
            seconds = time.perf_counter() - started
            store.close()
        assert report.stored, report.faults[:3]
        print(f"{rows:>10} {seconds:>9.1f} {rows / seconds:>9.0f} {peak_mib():>9.0f}", flush=True)


if __name__ == "__main__":
    main()
