"""Kill -9 at random moments during writes: what was acknowledged is there, what was not is there whole or not at all.

Run from the checkout: ``python tests/benchmarks/bench_crash.py [rounds] [PostgreSQL URL of an empty database]``. Each
round a process of its own writes readings, each with its line in the audit trail and its stored answer, and is killed
within a few milliseconds. Then the store is opened again and looked over, and the last write is repeated under its
Idempotency-Key, as a client would that got no answer.
"""

from __future__ import annotations

import os
import random
import select
import signal
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import func, text
from sqlalchemy import select as query
from sqlalchemy.orm import Session

from service.access.callers import Caller
from service.records.records import as_record, create
from service.records.subjects.packs import PACKS
from service.records.subjects.readings import READINGS, NewReading
from service.records.writing import Done, Writing
from service.store.opening import Store
from service.store.schema import AuditEntry, Reading, StoredAnswer
from service.store.upgrading import open_store
from training.files.families import load_families

FAMILIES = load_families(None)
NOW = datetime.now(UTC)
START = datetime(2026, 1, 1, tzinfo=UTC)


def writing(store: Store, key: str) -> Writing:
    return Writing(store, Caller("bench", "admin"), NOW, "create_reading", key, key, key)


def write_reading(store: Store, number: int) -> None:
    write = writing(store, f"reading-{number}")
    content = {**READINGS.example, "time": START + timedelta(seconds=number)}

    def work(session: Session) -> Done:
        row = create(session, READINGS, NewReading.model_validate(content), FAMILIES, write.writer)
        return Done(201, as_record(READINGS, row), number)

    write(work)


def make_pack(store: Store) -> None:
    write = writing(store, "pack")

    def work(session: Session) -> Done:
        create(session, PACKS, PACKS.new.model_validate(PACKS.example), FAMILIES, write.writer)
        return Done(201)

    write(work)


def counts(store: Store) -> tuple[int, int, int]:
    """Readings, lines of the audit trail about them, and stored answers about them."""
    with store.reading() as session:
        readings = session.scalar(query(func.count()).select_from(Reading))
        lines = session.scalar(query(func.count()).where(AuditEntry.record_id.is_not(None)))
        answers = session.scalar(query(func.count()).where(StoredAnswer.key != "pack", StoredAnswer.status == 201))
        if store.is_sqlite:
            assert session.scalar(text("PRAGMA integrity_check")) == "ok"
    return int(readings or 0), int(lines or 0), int(answers or 0)


def killed_round(home: Path, database: str | None, first: int, rng: random.Random) -> int:
    """Write from `first` on until killed; return how many writes were acknowledged."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(out)
        store = open_store(home, database)
        number = first
        while True:
            write_reading(store, number)
            os.write(into, b".")
            number += 1
    os.close(into)
    select.select([out], [], [], 30)
    time.sleep(rng.uniform(0, 0.05))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    acknowledged = 0
    while part := os.read(out, 65_536):
        acknowledged += len(part)
    os.close(out)
    return acknowledged


def run(rounds: int, database: str | None, seed: int) -> int:
    """Kill as often as asked; return the number of writes that came through. Raises AssertionError on any loss."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        store = open_store(home, database)
        make_pack(store)
        store.close()
        stored = 0
        for _ in range(rounds):
            acknowledged = killed_round(home, database, stored, rng)
            store = open_store(home, database)
            readings, lines, answers = counts(store)
            assert readings == lines == answers, "a write came through in part"
            assert stored + acknowledged <= readings <= stored + acknowledged + 1, "an acknowledged write is lost"
            write_reading(store, stored + acknowledged)
            assert counts(store) == (stored + acknowledged + 1,) * 3, "a repeated write was not done exactly once"
            stored += acknowledged + 1
            store.close()
    return stored


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    url = sys.argv[2] if len(sys.argv) > 2 else None
    began = time.perf_counter()
    total = run(wanted, url, seed=1)
    kind = "SQLite" if url is None else "PostgreSQL"
    seconds = time.perf_counter() - began
    print(f"{kind}: {wanted} kills, {total} writes, none lost, none in part, none done twice; {seconds:.0f} s")
