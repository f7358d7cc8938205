"""Anyone's files and anyone's programs: each file of the table, and how long and how much the doors take.

Prints what came of each file that is tried by `tests/service/exchange/imports/case_files.py`, then times and memory:
a drive log, ten thousand readings as one array, the same packed, and a light command.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import gzip
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

from fastapi.testclient import TestClient

from models.base.errors import BadInput
from service.app import create_app
from service.core.settings import Settings
from service.exchange.imports.guess import confirmed, understand
from service.exchange.imports.loading import import_files
from service.records.schemas import MOST_TOGETHER
from service.records.subjects.all_subjects import READINGS
from service.records.versions import Writer
from service.store.schema import Pack, Reading
from service.store.upgrading import open_store
from tests.service.exchange.imports.case_files import CASES, Case
from tests.service.exchange.imports.invented_log import AZORES, PACK
from training.files.families import load_families

KNOWN = {"fixed.pack_id": PACK, "time.zone": AZORES}
FAMILIES = load_families(None)
WRITER = Writer("bench", datetime(2026, 11, 14, tzinfo=UTC))


def same(rows: list[Reading], case: Case) -> bool:
    """Tell whether every reading came in as it was told."""

    def near(a: float | None, b: float | None, by: float) -> bool:
        return a is b or (a is not None and b is not None and abs(a - b) <= by)

    return len(rows) == len(case.told) and all(
        (row.pack_id, row.time, row.state) == (told.pack_id, told.time, told.state)
        and near(row.current_a, told.current_a, 0.006)
        and near(row.temperature_c, told.temperature_c, 0.1)
        and all(near(a, b, 0.0011) for a, b in zip(row.block_v, told.block_v, strict=True))
        and (row.soc_pct, row.code, row.code_state) == (told.soc_pct, told.code, told.code_state)
        and near(row.spread_v, told.spread_v, 1e-9)
        and all(near(a, b, 1e-6) for a, b in zip(row.resistance_mohm or (), told.resistance_mohm or (), strict=True))
        for row, told in zip(rows, case.told, strict=True)
    )


def came_of(case: Case, folder: Path) -> tuple[str, int, float]:
    """Import a file as somebody would; return what came of it, how many questions were open, and the seconds."""
    folder.mkdir()
    path = folder / case.name
    case.write(path)
    store = open_store(folder / "home")
    with store.writing() as session:
        for name in (PACK, "MB-VAN-08"):
            session.add(Pack(id=name, family="gravel-14", recorded_at=WRITER.at, recorded_by="bench"))
    began = time.process_time()
    try:
        asked = understand(path, KNOWN, blocks_of_pack=case.blocks_of_pack).questions
        found = confirmed(path, {**KNOWN, **case.answers}, blocks_of_pack=case.blocks_of_pack)
        report = import_files(store, path, FAMILIES, WRITER, mapping=found.mapping(case.name))
    except BadInput:
        return "refused", 0, time.process_time() - began
    seconds = time.process_time() - began
    with store.reading() as session:
        right = same(session.query(Reading).order_by(Reading.time, Reading.pack_id).all(), case)
    store.close()
    if not report.stored:
        return "refused", len(asked), seconds
    how = "confirmed" if not case.answers else "answered"
    return (how if right else "WRONG"), len(asked), seconds


def files(folder: Path) -> None:
    """Print the table of files."""
    count: Counter[str] = Counter()
    print(f"{'file':44} {'questions':>9} {'s':>6}  outcome")
    for number, case in enumerate(CASES):
        came, asked, seconds = came_of(case, folder / str(number))
        count[came] += 1
        print(f"{case.name:44} {asked:9d} {seconds:6.2f}  {came}")
    told = ", ".join(f"{n} {came}" for came, n in count.most_common())
    print(f"{len(CASES)} files: {told}. Wanted: at least 30, none wrong, at least 26 with confirmations alone.\n")


def memory_mb() -> float:
    """Return the most memory that this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def arrays(folder: Path) -> None:
    """Print what ten thousand readings take through the door for arrays, plain and packed."""
    settings = Settings.from_environment({"TIDEOVER_HOME": str(folder / "rest"), "TIDEOVER_LOG_LEVEL": "error"})
    began = datetime(2026, 3, 2, 8, tzinfo=UTC)
    with TestClient(create_app(settings), base_url="http://127.0.0.1:8765") as client:
        for name in ("plain", "packed"):
            client.post("/v1/packs", json={"id": f"MB-{name}", "family": "gravel-14"})
            body = json.dumps(
                [
                    {**READINGS.example, "pack_id": f"MB-{name}", "time": (began + timedelta(seconds=i)).isoformat()}
                    for i in range(MOST_TOGETHER)
                ]
            ).encode()
            headers = {"Content-Type": "application/json"}
            if name == "packed":
                body, headers["Content-Encoding"] = gzip.compress(body), "gzip"
            before, start = memory_mb(), time.process_time()
            answer = client.post("/v1/readings", content=body, headers=headers)
            took = time.process_time() - start
            assert answer.status_code == 201, answer.text
            more = memory_mb() - before
            print(f"{MOST_TOGETHER} readings {name}: {len(body) / 1e6:.2f} MB sent, {took:.2f} s, {more:.0f} MB more")


def light_command() -> None:
    """Print the processor time of a command that computes nothing."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-m", "service.cli", "--help"], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(f"tideover --help: {took:.2f} s of processor time. Wanted: under 0.6.")


def main() -> None:
    """Print all of it; the drive log has a table of its own (`bench_drive_log.py`), in a process of its own."""
    # First: a child counts the most memory of its parent as its own.
    print("A drive log of two hours and 28 blocks; wanted: 2 s, 100 MB:", flush=True)
    subprocess.run([sys.executable, str(Path(__file__).with_name("bench_drive_log.py"))], check=True)
    with tempfile.TemporaryDirectory() as folder:
        files(Path(folder))
        arrays(Path(folder))
    light_command()


if __name__ == "__main__":
    main()
