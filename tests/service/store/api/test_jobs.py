"""Jobs: started over REST, done by a worker, once; lost, cancelled and failed ones end as they should."""

from __future__ import annotations

import csv
import shutil
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest

from models.base.errors import BadInput
from service.core.logs import make_log
from service.jobs.queue import LEASE, MOST_ATTEMPTS, Stopped, beat, claim, require_same_clock
from service.jobs.worker import Worker
from service.store.schema import IssuedForecast, Reading
from training.files.families import load_families

SCORING = "/v1/jobs/scoring"


@pytest.fixture
def worker(api, store, clock, settings, tmp_path):
    """A worker whose inbox is this test's; it scores with the shared trained model."""

    def make(**changed) -> Worker:
        own = settings.model_copy(update=changed)
        return Worker(store, own, load_families(None), clock, make_log("error"))

    return make


def test_scoring_issues_the_same_forecasts_as_one_by_one(filled, worker, store, clock):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    started = filled.post(SCORING, json={})
    assert started.status_code == 202
    assert started.json()["state"] == "queued"
    worker().run(once=True)
    job = filled.get(started.headers["Location"]).json()
    assert (job["state"], job["result"]) == (
        "done",
        {"forecasts": 1, "standing": 0, "ranked": 1, "left_out": []},
    )
    # The job forecasts as of today what nobody has seen for ten days.
    now = clock().isoformat()
    one = filled.post("/v1/packs/MB-VAN-07/forecasts", json={"at": now}).json()
    scored = filled.get("/v1/issued-forecasts/1").json()
    assert scored["answer"] == one["answer"]
    with store.reading() as session:
        assert session.query(IssuedForecast).count() == 2


def test_after_an_import_the_open_cases_have_their_forecasts(filled, worker, store, settings, tmp_path):
    """Nobody starts anything else: what was imported is followed by the scoring, once however many imports wait."""
    filled.delete("/v1/outcomes/1?reason=a+slip")
    shutil.copytree(settings.models_dir, tmp_path / "models")
    (tmp_path / "inbox").mkdir()
    for name in ("a", "b"):
        (tmp_path / "inbox" / name).mkdir()
        (tmp_path / "inbox" / name / "packs.csv").write_text(f"pack_id,family\n{name},gravel-14\n")
    imports = [filled.post("/v1/jobs/imports", json={"name": name}).headers["Location"] for name in ("a", "b")]
    worker(home=tmp_path).run(once=True)
    first, second = (filled.get(at).json()["result"] for at in imports)
    assert first["scoring_job"] == second["scoring_job"]
    assert filled.get(f"/v1/jobs/{first['scoring_job']}").json()["result"]["forecasts"] == 1
    assert filled.get("/v1/issued-forecasts").json()["items"][0]["pack_id"] == "MB-VAN-07"
    assert len(filled.get("/v1/jobs").json()["items"]) == 3


def test_packs_whose_topup_has_ended_are_not_scored(filled, worker):
    at = filled.post(SCORING, json={}).headers["Location"]
    worker().run(once=True)
    assert filled.get(at).json()["result"]["forecasts"] == 0


def test_an_import_from_the_inbox_is_stored_together_with_the_end_of_its_job(filled, worker, store, tmp_path):
    (tmp_path / "inbox").mkdir()
    head = ["pack_id", "time", "state", "current_a", "temperature_c", *(f"block_{b}_v" for b in range(1, 15))]
    with (tmp_path / "inbox" / "readings.csv").open("w", newline="") as file:
        csv.writer(file).writerows([head, ["MB-VAN-07", "2026-03-05T08:00:00Z", "rest", "0", "", *["13.0"] * 14]])
    first = filled.post("/v1/jobs/imports", json={"name": "readings.csv"}).headers["Location"]
    again = filled.post("/v1/jobs/imports", json={"name": "readings.csv"}).headers["Location"]
    missing = filled.post("/v1/jobs/imports", json={"name": "nothing"}).headers["Location"]
    worker(home=tmp_path).run(once=True)
    job = filled.get(first).json()
    assert (job["state"], job["result"]["stored"], job["result"]["taken"]) == ("done", True, {"readings": 1})
    assert job["result"]["scoring_job"] is None, "there is no model in this home"
    job = filled.get(again).json()
    assert not job["result"]["stored"]
    assert "scoring_job" not in job["result"]
    assert "there already" in job["result"]["faults"][0]["reason"]
    job = filled.get(missing).json()
    assert job["state"] == "failed"
    assert "no such file" in job["problems"][0]["what"]
    with store.reading() as session:
        assert session.query(Reading).count() == 2


@pytest.mark.parametrize("kind", ["training", "scoring", "self-checks", "reports", "imports"])
def test_kinds_of_jobs_are_started_and_nothing_else(api, kind):
    answer = api.get(f"/v1/jobs/{kind}")
    assert (answer.status_code, answer.headers["Allow"]) == (405, "POST")


@pytest.mark.parametrize("name", ["../secrets", "/etc/passwd", "a/b", ".."])
def test_only_the_inbox_can_be_imported_from(api, problem_in, name):
    problem_in(api.post("/v1/jobs/imports", json={"name": name}), 422)


def test_a_claim_from_a_clock_ahead_is_taken_back(filled, store, clock):
    """A machine whose clock was a day ahead took the job and died: it would be held until tomorrow."""
    filled.post(SCORING, json={})
    assert claim(store, "ahead", clock() + timedelta(days=1)).worker == "ahead"
    taken = claim(store, "right", clock())
    assert taken is not None
    assert taken.worker == "right"
    assert claim(store, "third", clock() + LEASE / 2) is None, "a lease that can be one is kept to"


def test_a_worker_with_another_clock_than_the_database_is_refused(store, backend):
    if backend == "sqlite":
        require_same_clock(store, datetime(2020, 1, 1, tzinfo=UTC))
        return
    require_same_clock(store, datetime.now(UTC))
    with pytest.raises(BadInput, match="ahead of"):
        require_same_clock(store, datetime.now(UTC) + timedelta(minutes=5))
    with pytest.raises(BadInput, match="behind"):
        require_same_clock(store, datetime.now(UTC) - timedelta(minutes=5))


def test_no_heading_of_a_file_gets_into_the_log(filled, worker, tmp_path, capsys):
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "readings.csv").write_text("plate AB 123,plate AB 123\n1,2\n")
    filled.post("/v1/jobs/imports", json={"name": "readings.csv"})
    hands = worker(home=tmp_path)
    hands.log = make_log("info")
    hands.run(once=True)
    log = capsys.readouterr().err
    assert "job failed" in log
    assert "plate" not in log


def test_many_workers_share_the_jobs_and_none_is_done_twice(api, store, clock):
    for _ in range(12):
        api.post(SCORING, json={})
    with ThreadPoolExecutor(6) as pool:
        jobs = list(pool.map(lambda n: claim(store, f"w{n}", clock()), range(15)))
    assert sorted(job.id for job in jobs if job is not None) == list(range(1, 13))
    assert jobs.count(None) == 3


def test_the_job_of_a_lost_worker_is_taken_up_and_the_lost_one_may_not_go_on(api, store, clock):
    api.post(SCORING, json={})
    assert claim(store, "first", clock()).id == 1
    clock.forward(seconds=LEASE.total_seconds() - 1)
    assert claim(store, "second", clock()) is None
    beat(store, 1, "first", clock())
    clock.forward(seconds=LEASE.total_seconds() + 1)
    assert claim(store, "second", clock()).attempts == 2
    with pytest.raises(Stopped):
        beat(store, 1, "first", clock())


def test_a_job_that_kills_its_workers_is_given_up(api, store, clock):
    api.post(SCORING, json={})
    for attempt in range(MOST_ATTEMPTS):
        assert claim(store, f"w{attempt}", clock()).id == 1
        clock.forward(minutes=2)
    assert claim(store, "last", clock()) is None
    job = api.get("/v1/jobs/1").json()
    assert job["state"] == "failed"
    assert "started 3 times" in job["problems"][0]["what"]


def test_a_waiting_job_is_cancelled_at_once_and_a_running_one_at_its_next_step(
    filled, store, clock, worker, problem_in
):
    filled.post(SCORING, json={})
    assert filled.post("/v1/jobs/1/cancellation").json()["state"] == "cancelled"
    problem_in(filled.post("/v1/jobs/1/cancellation"), 409)
    filled.post(SCORING, json={})
    claim(store, "busy", clock())
    answer = filled.post("/v1/jobs/2/cancellation").json()
    assert (answer["state"], answer["cancel_asked"]) == ("running", True)
    with pytest.raises(Stopped):
        beat(store, 2, "busy", clock())
    problem_in(filled.post("/v1/jobs/99/cancellation"), 404)


def test_a_worker_that_is_asked_to_stop_puts_its_job_back(filled, worker):
    at = filled.post(SCORING, json={}).headers["Location"]
    hands = worker()
    task_store = hands.store
    job = claim(task_store, hands.name, hands.clock())
    hands.stop.set()
    hands._do(job)
    left = filled.get(at).json()
    assert (left["state"], left["attempts"]) == ("queued", 0)
    assert filled.get("/v1/jobs?state=queued").json()["items"] == [left]
