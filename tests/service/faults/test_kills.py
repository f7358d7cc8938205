"""A worker that is killed at any step of any job: the next one does the job, once."""

from __future__ import annotations

import csv
import shutil
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from models.forecaster import Forecaster
from service.core.logs import make_log
from service.core.settings import Settings
from service.exchange.reports.files import list_reports
from service.jobs.queue import LEASE, enqueue
from service.jobs.worker import Worker
from service.records.subjects.readings import READINGS
from service.store.schema import IssuedForecast, Job, Reading
from service.store.upgrading import open_store
from tests.benchmarks.bench_crash import fill
from tests.service.running import environment
from training.files.families import load_families
from training.registry import ModelRegistry

pytestmark = pytest.mark.faults

NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)
ROWS = 30
KINDS = {
    "import": {"name": "readings.csv", "mapping": None, "dry_run": False, "keep_good": False},
    "scoring": {},
    "report": {},
    "self-check": {},
    "training": {"packs": 200, "seed": 1},
}
STEPS = 4
"""Most steps at which a job is killed, spread over all that it has, and once more right after its end was noted."""

WORK = """
import os, signal, sys
from datetime import datetime
from service.core.logs import make_log
from service.core.settings import Settings
from service.jobs import worker
from service.store.upgrading import open_store
from training.files.families import load_families
die_at, steps = int(sys.argv[2]), 0

def step():
    global steps
    steps += 1
    if steps == die_at:
        os.kill(os.getpid(), signal.SIGKILL)

class Killed(worker.Worker):
    def _task(self, job, lost):
        task = super()._task(job, lost)
        def tell(*told):
            step()
            task.tell(*told)
        def finish(session, result):
            task.finish(session, result)
            step()
        return type(task)(**(vars(task) | {"tell": tell, "finish": finish}))

settings = Settings.from_environment(dict(os.environ))
at = datetime.fromisoformat(sys.argv[1])
Killed(open_store(settings.home), settings, load_families(None), lambda: at, make_log("error")).run(once=True)
print(steps)
"""


def place(home: Path, folder: Path, kind: str) -> Path:
    """Make a home with the worked examples, a file to be imported, and one job."""
    folder.mkdir(mode=0o700)
    shutil.copytree(home / "models", folder / "models")
    store = open_store(folder)
    fill(store, examples=True)
    (folder / "inbox").mkdir(mode=0o700)
    row = {"pack_id": READINGS.example["pack_id"], "time": "", "state": "rest", "current_a": 0}
    row |= {f"block_{n}_v": volts for n, volts in enumerate(READINGS.example["block_v"], 1)}
    with (folder / "inbox" / "readings.csv").open("w", newline="") as file:
        rows = csv.DictWriter(file, row)
        rows.writeheader()
        rows.writerows([row | {"time": f"2026-05-{day:02d}T08:00:00Z"} for day in range(1, ROWS + 1)])
    with store.writing() as session:
        enqueue(session, kind, KINDS[kind], "t", NOW)
    store.close()
    return folder


def worked(home: Path, at: datetime, die_at: int) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", WORK, at.isoformat(), str(die_at)]
    return subprocess.run(command, env=environment(home), capture_output=True, text=True, check=False)


def outcome(home: Path) -> dict[str, object]:
    """What the jobs left."""
    store = open_store(home)
    with store.reading() as session:
        found = {
            "jobs": [(job.kind, job.state) for job in session.query(Job).order_by(Job.id)],
            "readings": session.query(Reading).count(),
            "forecasts": session.query(IssuedForecast).count(),
        }
    store.close()
    registry = ModelRegistry(home / "models")
    return found | {
        "reports": len(list_reports(home / "reports")),
        "models": registry.names(),
        "answers": registry.load_current(Forecaster).manifest.model_id,
    }


@pytest.mark.parametrize("kind", KINDS)
def test_a_job_that_is_killed_at_any_step_is_done_by_the_next_worker_once(home, tmp_path, kind):
    whole = place(home, tmp_path / "whole", kind)
    undisturbed = worked(whole, NOW, 0)
    assert undisturbed.returncode == 0, undisturbed.stderr
    expected = outcome(whole)
    assert {state for _, state in expected["jobs"]} == {"done"}
    steps = int(undisturbed.stdout.splitlines()[-1])
    assert steps >= 1
    for die_at in sorted({1 + n * (steps - 1) // (STEPS - 1) for n in range(STEPS)}):
        home_of_this = place(home, tmp_path / f"at-{die_at}", kind)
        killed = worked(home_of_this, NOW, die_at)
        assert killed.returncode == -signal.SIGKILL, killed.stderr
        settings = Settings.from_environment({"TIDEOVER_HOME": str(home_of_this), "TIDEOVER_LOG_LEVEL": "error"})
        store = open_store(home_of_this)
        # The lease has run out, at the same moment as in the undisturbed run: what is made bears its time.
        with store.writing() as session:
            for job in session.query(Job).filter(Job.state == "running"):
                job.lease_until = NOW - LEASE
        Worker(store, settings, load_families(None), lambda: NOW, make_log("error")).run(once=True)
        store.close()
        assert outcome(home_of_this) == expected, f"killed at step {die_at} of {steps}"
