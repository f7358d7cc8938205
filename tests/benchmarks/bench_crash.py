"""Kill -9 at random moments: what was acknowledged is there, what was not is there whole or not at all.

Run from the checkout: ``python tests/benchmarks/bench_crash.py [kills of each kind] [PostgreSQL URL of an empty
database] [kinds]``. The kinds:

- `writes`: readings, each with its line in the audit trail and its stored answer, straight into the store;
- `server`: the same over REST, into the shipped service;
- `worker`: an import of a file and the scoring that follows it;
- `registry`: models saved and promoted, one after the other;
- `restore`: a backup put back into an empty home;
- `upgrade`: a store of the oldest schema brought up to date.

After each kill everything is looked over, and what was cut off is done again, as somebody would who got no answer. Of a
job or a restore that ended before its kill nothing was cut off: it does not count as a kill.
"""

from __future__ import annotations

import csv
import random
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx2 as httpx
from sqlalchemy import func, text
from sqlalchemy import select as query
from sqlalchemy.orm import Session

from service.access.callers import Caller
from service.core.logs import make_log
from service.core.settings import Settings
from service.jobs.queue import LEASE, enqueue
from service.jobs.worker import Worker
from service.operation.backup import back_up, restore
from service.records.records import as_record, create
from service.records.subjects.all_subjects import SUBJECTS
from service.records.subjects.packs import PACKS
from service.records.subjects.readings import READINGS, NewReading
from service.records.writing import Done, Writing
from service.store.opening import SQLITE_FILE, Store
from service.store.schema import AuditEntry, IssuedForecast, Job, Reading, StoredAnswer
from service.store.upgrading import (
    downgrade,
    known_revisions,
    newest_revision,
    open_at_any_schema,
    open_store,
    schema_revision,
    tables_of,
    upgrade,
)
from tests.benchmarks.bench_load import make_model, served
from tests.benchmarks.kills import Place, Told, killed
from training.files.families import load_families
from training.registry import ModelRegistry

FAMILIES = load_families(None)
NOW = datetime.now(UTC)
START = datetime(2026, 1, 1, tzinfo=UTC)
CONTENT = {**READINGS.example, "pack_id": PACKS.example["id"]}
ROWS = 500
"""Readings in a file that is imported, and in a store that is restored or upgraded."""


def writing(store: Store, key: str) -> Writing:
    return Writing(store, Caller("bench", "admin"), NOW, "create_reading", key, key, key)


def body_of(number: int) -> dict[str, Any]:
    return {**CONTENT, "time": (START + timedelta(seconds=number)).isoformat()}


def write_reading(store: Store, number: int) -> None:
    write = writing(store, f"reading-{number}")

    def work(session: Session) -> Done:
        row = create(session, READINGS, NewReading.model_validate(body_of(number)), FAMILIES, write.writer)
        return Done(201, as_record(READINGS, row), number)

    write(work)


def fill(store: Store, readings: int = 0, *, examples: bool = False) -> None:
    """Store a pack, or the worked examples, and further readings, in one write."""
    write = writing(store, "pack")

    def work(session: Session) -> Done:
        for subject in SUBJECTS if examples else [PACKS]:
            if subject.name != "outcomes":
                create(session, subject, subject.new.model_validate(subject.example), FAMILIES, write.writer)
        for number in range(readings):
            create(session, READINGS, NewReading.model_validate(body_of(number)), FAMILIES, write.writer)
        return Done(201)

    write(work)


def counts(store: Store) -> tuple[int, int, int]:
    """Readings, lines of the audit trail about them, and stored answers about them."""
    about = AuditEntry.action == "create_reading", AuditEntry.record_id.is_not(None)
    with store.reading() as session:
        readings = session.scalar(query(func.count()).select_from(Reading))
        lines = session.scalar(query(func.count()).where(*about))
        answers = session.scalar(query(func.count()).where(StoredAnswer.key != "pack", StoredAnswer.status == 201))
    return int(readings or 0), int(lines or 0), int(answers or 0)


def columns_of(store: Store) -> dict[str, list[str]]:
    """Return the names of the columns of every table."""
    with store.engine.connect() as connection:
        return {table.name: [column.name for column in table.columns] for table in tables_of(connection)}


def content(store: Store, columns: dict[str, list[str]]) -> dict[str, list[tuple[Any, ...]]]:
    """Return what stands in some columns of every table."""
    with store.engine.connect() as connection:
        return {
            table.name: [
                tuple(map(repr, row))
                for row in connection.execute(
                    query(*(table.c[name] for name in columns[table.name])).order_by(*table.primary_key)
                )
            ]
            for table in tables_of(connection)
            if table.name in columns
        }


def require_sound(store: Store) -> None:
    if store.is_sqlite:
        with store.reading() as session:
            assert session.scalar(text("PRAGMA integrity_check")) == "ok"


class Writes:
    """Readings, straight into the store."""

    def __init__(self, place: Place, models: Path) -> None:
        self.home, self.database = place.home(), place.database()
        self.stored = 0
        store = open_store(self.home, self.database)
        fill(store)
        store.close()

    def killed(self, rng: random.Random) -> int:
        def work(told: Told) -> None:
            store = open_store(self.home, self.database)
            told()
            number = self.stored
            while True:
                write_reading(store, number)
                told()
                number += 1

        acknowledged = killed(work, 0.2, rng)
        assert acknowledged is not None
        return acknowledged

    def round(self, rng: random.Random) -> int:
        acknowledged = self.killed(rng)
        expected = self.stored + acknowledged
        store = open_store(self.home, self.database)
        require_sound(store)
        readings, lines, answers = counts(store)
        assert readings == lines == answers, "a write came through in part"
        # The next round begins with the write that was cut off, under the same key: it must not be stored twice.
        assert expected <= readings <= expected + 1, "an acknowledged write is lost, or one was done twice"
        store.close()
        self.stored = expected
        return acknowledged


class Server(Writes):
    """Readings over REST, into the shipped service."""

    def killed(self, rng: random.Random) -> int:
        acknowledged = 0
        with served(self.home, self.database or "") as (process, address), httpx.Client(base_url=address) as client:
            timer = threading.Timer(rng.uniform(0.02, 0.5), process.kill)
            timer.start()
            try:
                while True:
                    self._send(client, self.stored + acknowledged)
                    acknowledged += 1
            except httpx.TransportError:
                timer.join()
        return acknowledged

    def _send(self, client: httpx.Client, number: int) -> None:
        answer = client.post("/v1/readings", json=body_of(number), headers={"Idempotency-Key": f"reading-{number}"})
        assert answer.status_code == 201, answer.text


class Working:
    """An import of a file, and the scoring that follows it."""

    def __init__(self, place: Place, models: Path) -> None:
        self.home, self.database = place.home(), place.database()
        (self.home / "models").symlink_to(models)
        (self.home / "inbox").mkdir(mode=0o700)
        self.settings = Settings.from_environment(
            {"TIDEOVER_HOME": str(self.home), "TIDEOVER_DATABASE": self.database or "", "TIDEOVER_LOG_LEVEL": "error"}
        )
        self.now = NOW
        store = open_store(self.home, self.database)
        fill(store, examples=True)
        self.number = self._readings(store)
        began = time.perf_counter()
        self._send(store)
        self._work(store)
        self.seconds = time.perf_counter() - began
        store.close()

    def _readings(self, store: Store) -> int:
        with store.reading() as session:
            return int(session.scalar(query(func.count()).select_from(Reading)) or 0)

    def _send(self, store: Store) -> int:
        """Put a file into the inbox and its import into the queue; return the number of the job."""
        first, self.number = self.number, self.number + ROWS
        volts = {f"block_{n}_v": volts for n, volts in enumerate(CONTENT["block_v"], 1)}
        with (self.home / "inbox" / "readings.csv").open("w", newline="", encoding="utf-8") as file:
            row = {"pack_id": CONTENT["pack_id"], "time": "", "state": "rest", "current_a": 0, **volts}
            rows = csv.DictWriter(file, row)
            rows.writeheader()
            for number in range(first, self.number):
                rows.writerow(row | {"time": (START + timedelta(minutes=number)).isoformat()})
        with store.writing() as session:
            wanted = {"name": "readings.csv", "mapping": None, "dry_run": False, "keep_good": False}
            return enqueue(session, "import", wanted, "bench", self.now).id

    def _work(self, store: Store) -> None:
        Worker(store, self.settings, FAMILIES, lambda: self.now, make_log("error")).run(once=True)

    def round(self, rng: random.Random) -> int | None:
        store = open_store(self.home, self.database)
        before = self._readings(store)
        job_id = self._send(store)
        store.close()

        def work(told: Told) -> None:
            own = open_store(self.home, self.database)
            told()
            self._work(own)

        cut_off = killed(work, self.seconds, rng) is not None
        store = open_store(self.home, self.database)
        require_sound(store)
        with store.reading() as session:
            done = session.get_one(Job, job_id).state == "done"
        assert self._readings(store) - before == (ROWS if done else 0), "an import is there in part"
        self.now += 3 * LEASE
        self._work(store)
        with store.reading() as session:
            jobs = list(session.scalars(query(Job).where(Job.id >= job_id).order_by(Job.id)))
            ends = [(job.kind, job.state) for job in jobs]
            assert ends == [("import", "done"), ("scoring", "done")], f"a job is lost: {ends}"
            assert max(job.attempts for job in jobs) <= 2
            assert session.scalar(query(func.count()).where(IssuedForecast.id.is_not(None)))
        assert self._readings(store) - before == ROWS, "an import was done twice, or not at all"
        store.close()
        return len(jobs) if cut_off else None


class Registry:
    """Models saved and promoted, one after the other."""

    def __init__(self, place: Place, models: Path) -> None:
        self.folder = place.home() / "models"
        self.made = 0

    def _save(self, number: int) -> None:
        registry = ModelRegistry(self.folder)
        name = f"m{number:06d}"
        registry.save(
            {"number": number, "content": list(range(2_000))},
            model_id=name,
            report={"number": number},
            data_digest="0" * 64,
            seed=0,
            scores={},
            created=NOW,
            families=("gravel-14",),
            card="invented",
        )
        registry.promote(name, NOW, "bench")

    def round(self, rng: random.Random) -> int:
        def work(told: Told) -> None:
            told()
            number = self.made
            while True:
                self._save(number)
                told()
                number += 1

        acknowledged = killed(work, 0.1, rng)
        assert acknowledged is not None
        expected = self.made + acknowledged
        registry = ModelRegistry(self.folder)
        promoted = [move.model_id for move in registry.history()]
        whole = [f"m{number:06d}" for number in range(expected + 1)]
        assert promoted in (whole, whole[:-1]), "an acknowledged promotion is lost"
        self._save(expected)
        assert [move.model_id for move in registry.history()] == whole, "a promotion was not done exactly once"
        assert registry.names() == whole
        for number in range(self.made, expected + 1):
            assert registry.load(f"m{number:06d}", dict).model["number"] == number
        assert registry.load_current(dict).model["number"] == expected
        self.made = expected + 1
        return acknowledged + 1


class Restore:
    """A backup put back into an empty home."""

    def __init__(self, place: Place, models: Path) -> None:
        self.place = place
        home, database = place.home(), place.database()
        store = open_store(home, database)
        fill(store, ROWS, examples=True)
        self.backup = place.folder / "backup"
        back_up(store, models, self.backup, NOW)
        self.columns = columns_of(store)
        self.content = content(store, self.columns)
        store.close()
        self.models = files_in(models)
        began = time.perf_counter()
        place.drop(*self._restored(lambda: None))
        self.seconds = time.perf_counter() - began

    def _restored(self, told: Told) -> tuple[Path, str | None]:
        home, database = self.place.home(), self.place.database()
        self._restore(home, database, told)
        return home, database

    def _restore(self, home: Path, database: str | None, told: Told) -> None:
        store = open_at_any_schema(home, database)
        told()
        restore(store, home / "models", self.backup)
        told()
        store.close()

    def round(self, rng: random.Random) -> int | None:
        home, database = self.place.home(), self.place.database()
        acknowledged = killed(lambda told: self._restore(home, database, told), self.seconds, rng)
        store = open_at_any_schema(home, database)
        whole = schema_revision(store) is not None and content(store, self.columns) == self.content
        assert whole or not acknowledged, "an acknowledged restore is lost"
        if not whole:
            found = {name: rows for name, rows in content(store, self.columns).items() if rows}
            assert not found, "a restore is there in part"
            restore(store, home / "models", self.backup)
        require_sound(store)
        assert content(store, self.columns) == self.content
        assert files_in(home / "models") == self.models
        assert not [path for path in home.iterdir() if path.name.endswith(".unfinished")]
        store.close()
        self.place.drop(home, database)
        return 1 if acknowledged is not None else None


class Upgrade:
    """A store of the oldest schema brought up to date."""

    def __init__(self, place: Place, models: Path) -> None:
        self.place = place
        self.home, self.database = place.home(), place.database()
        store = open_store(self.home, self.database)
        fill(store, ROWS, examples=True)
        self.oldest = min(known_revisions())
        downgrade(store, self.oldest)
        self.columns = columns_of(store)
        self.content = content(store, self.columns)
        store.close()
        home, database = self._old()
        began = time.perf_counter()
        self._upgrade(home, database, lambda: None)
        self.seconds = time.perf_counter() - began
        place.drop(home, database)

    def _old(self) -> tuple[Path, str | None]:
        home, database = self.place.home(), self.place.database(self.database)
        if database is None:
            (home / SQLITE_FILE).write_bytes((self.home / SQLITE_FILE).read_bytes())
        return home, database

    def _upgrade(self, home: Path, database: str | None, told: Told) -> None:
        store = open_at_any_schema(home, database)
        told()
        upgrade(store)
        told()
        store.close()

    def round(self, rng: random.Random) -> int | None:
        home, database = self._old()
        acknowledged = killed(lambda told: self._upgrade(home, database, told), self.seconds, rng)
        store = open_at_any_schema(home, database)
        require_sound(store)
        found = schema_revision(store)
        assert found == newest_revision() or (found == self.oldest and not acknowledged), "an upgrade is there in part"
        assert content(store, self.columns) == self.content, "something is lost on the way"
        upgrade(store)
        assert schema_revision(store) == newest_revision()
        assert content(store, self.columns) == self.content, "something is lost on the way"
        store.close()
        self.place.drop(home, database)
        return 1 if acknowledged is not None else None


def files_in(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


KINDS: dict[str, Callable[[Place, Path], Any]] = {
    "writes": Writes,
    "server": Server,
    "worker": Working,
    "registry": Registry,
    "restore": Restore,
    "upgrade": Upgrade,
}


def run(kind: str, kills: int, database: str | None, models: Path, seed: int) -> tuple[int, int]:
    """Kill as often as asked; return how often it ended before, and what came through in all.

    Raises
    ------
    AssertionError
        Something was lost, done in part, or done twice.
    """
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as name, closing(Place(Path(name), database)) as place:
        here = KINDS[kind](place, models)
        done = missed = through = 0
        while done < kills:
            came = here.round(rng)
            if came is None:
                missed += 1
            else:
                done += 1
                through += came
    return missed, through


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    url = sys.argv[2] if len(sys.argv) > 2 else ""
    kinds = sys.argv[3].split(",") if len(sys.argv) > 3 else list(KINDS)
    with tempfile.TemporaryDirectory() as name:
        if {"worker", "restore"} & set(kinds):
            make_model(Path(name))
        for kind in kinds:
            began = time.perf_counter()
            missed, through = run(kind, kills, url or None, Path(name) / "models", seed=1)
            where = "PostgreSQL" if url else "SQLite"
            seconds = time.perf_counter() - began
            said = f"{kills} kills, {through} came through, none lost, none in part, none done twice"
            print(f"{where}, {kind}: {said}; {missed} ended before; {seconds:.0f} s", flush=True)


if __name__ == "__main__":
    main()
