"""Power cuts, wrong clocks, and two services on one home: real files, real processes, the real database."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import pytest

from models.base.errors import BadInput, ModelRefused
from models.forecaster import Forecaster
from service.access.callers import Caller
from service.access.keys import caller_of, make_key
from service.jobs.queue import LEASE, claim, enqueue
from service.operation.doctor import examine
from service.records.subjects.packs import PACKS
from service.records.subjects.readings import READINGS
from service.store.opening import SQLITE_FILE
from service.store.schema import Reading
from service.store.upgrading import open_store, told_plainly
from tests.service.running import command, environment, free_port, running_service
from training.registry import ModelRegistry

pytestmark = pytest.mark.faults

CUTS = 24
"""Places at which a file ends too early, spread over its length."""


@pytest.fixture
def own_home(home, tmp_path):
    """A home of this test's own, with the trained model."""
    own = tmp_path / "home"
    own.mkdir(mode=0o700)
    shutil.copytree(home / "models", own / "models")
    return own


def filled(home):
    """Write readings with the log not yet taken over into the database, as at a power cut; return their number."""
    store = open_store(home)
    keeper = sqlite3.connect(home / SQLITE_FILE)
    keeper.execute("SELECT count(*) FROM packs").fetchall()  # an open reader keeps the log from being cleared
    at = datetime(2026, 3, 2, 8, tzinfo=UTC)
    with store.writing() as session:
        session.add(PACKS.table(**PACKS.example, recorded_at=at, recorded_by="t"))
    for number in range(40):
        with store.writing() as session:
            content = READINGS.new.model_validate({**READINGS.example, "time": at + timedelta(minutes=number)})
            row = {name: getattr(content, name) for name in READINGS.columns}
            session.add(Reading(**row, recorded_at=at, recorded_by="t"))
    return store, keeper


def test_a_log_that_ends_too_early_costs_the_last_writes_only(tmp_path):
    """SQLite's write-ahead log cut anywhere: what was written before the cut is there, and nothing in part."""
    store, keeper = filled(tmp_path / "whole")
    log = (tmp_path / "whole" / f"{SQLITE_FILE}-wal").read_bytes()
    database = (tmp_path / "whole" / SQLITE_FILE).read_bytes()
    keeper.close()
    store.close()
    assert len(log) > 40 * 4096
    counts = []
    for cut in range(CUTS + 1):
        home = tmp_path / f"cut-{cut}"
        home.mkdir(mode=0o700)
        (home / SQLITE_FILE).write_bytes(database)
        (home / f"{SQLITE_FILE}-wal").write_bytes(log[: len(log) * cut // CUTS])
        try:
            with told_plainly():
                store = open_store(home)
                with store.reading() as session:
                    times = [row.time for row in session.query(Reading).order_by(Reading.id)]
        except BadInput:
            continue  # told as damaged, and not opened
        store.close()
        assert times == sorted(times)
        with closing(sqlite3.connect(home / SQLITE_FILE)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        counts.append(len(times))
    assert counts == sorted(counts)
    assert counts[-1] == 40
    assert len(set(counts)) > 10


def test_a_database_that_ends_too_early_is_told_by_doctor_and_never_read_as_whole(tmp_path, settings):
    store, keeper = filled(tmp_path / "whole")
    keeper.close()
    with closing(sqlite3.connect(tmp_path / "whole" / SQLITE_FILE)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    store.close()
    content = (tmp_path / "whole" / SQLITE_FILE).read_bytes()
    for cut in range(1, CUTS):
        home = tmp_path / f"cut-{cut}"
        home.mkdir(mode=0o700)
        (home / SQLITE_FILE).write_bytes(content[: len(content) * cut // CUTS])
        findings = list(examine(settings.model_copy(update={"home": home}), datetime.now(UTC)))
        said = [finding.what for finding in findings if finding.verdict == "bad"]
        assert any("database" in what or "store" in what.lower() or "schema" in what for what in said), (cut, said)


def test_a_model_that_ends_too_early_is_refused_whichever_file_it_is(own_home):
    registry = ModelRegistry(own_home / "models")
    folder = own_home / "models" / str(registry.current_id())
    for path in (folder / "model.joblib", folder / "manifest.json", folder / "report.json"):
        whole = path.read_bytes()
        for cut in range(CUTS):
            path.write_bytes(whole[: len(whole) * cut // CUTS])
            with pytest.raises(ModelRefused) as caught:
                registry.load_current(Forecaster)
            assert caught.value.args[0].mend
        path.write_bytes(whole)
    assert registry.load_current(Forecaster).model
    pointer = own_home / "models" / "current.json"
    whole = pointer.read_bytes()
    for cut in range(CUTS):
        pointer.write_bytes(whole[: len(whole) * cut // CUTS])
        with pytest.raises(ModelRefused):
            registry.load_current(Forecaster)
    pointer.write_bytes(whole)
    assert registry.load_current(Forecaster).model


def test_a_clock_that_was_ahead_or_goes_back_holds_no_job_and_opens_no_door(tmp_path):
    store = open_store(tmp_path)
    now = datetime(2026, 3, 14, 9, tzinfo=UTC)
    with store.writing() as session:
        enqueue(session, "scoring", {}, "t", now)
        _, key = make_key(session, "front office", "admin", 30, now)
    ahead = claim(store, "a", now + timedelta(days=400))
    assert ahead is not None
    assert claim(store, "b", now) is not None, "a lease from a clock far ahead is taken back at once"
    assert claim(store, "c", now - timedelta(days=1)) is not None, "and so is one, when the clock goes back"
    assert claim(store, "d", now - timedelta(days=1) + LEASE / 2) is None, "but one that runs is left alone"
    with store.reading() as session:
        assert isinstance(caller_of(session, key, now - timedelta(days=400)), Caller)
        assert isinstance(caller_of(session, key, now + timedelta(days=29)), Caller)
        assert not isinstance(caller_of(session, key, now + timedelta(days=31)), Caller)
    store.close()


def test_two_services_on_one_home_lose_nothing_and_write_nothing_twice(own_home):
    """Two real processes over one SQLite file: half of the writes to each, at the same time, some sent to both."""
    answers: list[tuple[str, int]] = []

    def send(address: str, numbers: range) -> None:
        with httpx.Client(base_url=address, timeout=60) as client:
            for number in numbers:
                body = {**READINGS.example, "time": f"2026-03-02T{number // 60:02d}:{number % 60:02d}:00Z"}
                answer = client.post("/v1/readings", json=body, headers={"Idempotency-Key": f"r-{number}"})
                answers.append((f"r-{number}", answer.status_code))

    with running_service(own_home, free_port()) as one, running_service(own_home, free_port()) as other:
        assert httpx.post(f"{one}/v1/packs", json=PACKS.example).status_code == 201
        threads = [
            threading.Thread(target=send, args=(address, numbers))
            for address, numbers in ((one, range(80)), (other, range(60, 140)), (one, range(140, 200)))
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        made = [name for name, status in answers if status == 201]
        assert len(answers) == 220
        assert set(made) == {f"r-{number}" for number in range(200)}
        assert len(made) == 220, "sent to both under one key: both get the answer"
        read = [httpx.get(f"{at}/v1/readings?limit=500").json()["items"] for at in (one, other)]
        assert read[0] == read[1]
        assert len(read[0]) == len({row["time"] for row in read[0]}) == 200
        forecast = [httpx.post(f"{at}/v1/packs/MB-VAN-07/topup-plan", json={}).status_code for at in (one, other)]
        assert forecast[0] == forecast[1]


def test_two_workers_on_one_home_do_each_job_once(own_home):
    with running_service(own_home, free_port()) as address:
        jobs = [httpx.post(f"{address}/v1/jobs/self-checks", json={}).json()["id"] for _ in range(4)]
        workers = [
            subprocess.Popen(command("worker", "--once"), env=environment(own_home), stdout=subprocess.DEVNULL)
            for _ in range(2)
        ]
        assert [worker.wait(240) for worker in workers] == [0, 0]
        ended = [httpx.get(f"{address}/v1/jobs/{number}").json() for number in jobs]
    assert [(job["state"], job["attempts"]) for job in ended] == [("done", 1)] * 4
    assert [job["result"]["sound"] for job in ended] == [True] * 4
