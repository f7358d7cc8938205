"""How long a drive log of two hours and 28 blocks takes to come in, and how much memory."""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import resource
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from service.exchange.imports.guess import confirmed
from service.exchange.imports.loading import import_files
from service.records.versions import Writer
from service.store.schema import Pack
from service.store.upgrading import open_store
from training.files.families import load_families

SECONDS, BLOCKS = 7_200, 28


def write_log(path: Path) -> None:
    """Write an invented log of a family with 28 blocks."""
    rng = np.random.default_rng(1)
    amps = np.round(30 * np.sin(np.arange(SECONDS) / 23) + 8 * rng.standard_normal(SECONDS), 1)
    volts = 7.6 - amps[:, None] * 0.004 + 0.01 * rng.standard_normal((SECONDS, BLOCKS))
    frame = pd.DataFrame(np.round(volts, 2), columns=[f"V{b}" for b in range(1, BLOCKS + 1)])
    frame.insert(0, "current_a", amps)
    began = datetime(2026, 3, 2, 8, tzinfo=UTC)
    frame.insert(0, "time", [(began + timedelta(seconds=t)).isoformat() for t in range(SECONDS)])
    frame.to_csv(path, index=False)


def memory_mb() -> float:
    """Return the most memory that this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def told(what: str, began: float, before: float) -> None:
    """Print processor time and memory since then."""
    print(f"{what}: {time.process_time() - began:.2f} s, {memory_mb() - before:.0f} MB above {before:.0f} MB")


def main() -> None:
    """Print seconds and megabytes."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        write_log(path)
        families = load_families(None)
        store = open_store(Path(folder) / "home")
        writer = Writer("bench", datetime.now(UTC))
        with store.writing() as session:
            session.add(Pack(id="P", family="loess-28", recorded_at=writer.at, recorded_by="bench"))
        began, before = time.process_time(), memory_mb()
        mapping = confirmed(path, {"fixed.pack_id": "P"}, blocks_of_pack=BLOCKS).mapping("bench")
        told("understood", began, before)
        began = time.process_time()
        report = import_files(store, path, families, writer, mapping=mapping)
        told("imported", began, before)
        print(f"{report.read} rows read, {report.taken} readings stored, {report.faults_in_all} faults")
        store.close()


if __name__ == "__main__":
    main()
