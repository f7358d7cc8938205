"""Files sent in and imported by a job; reports written by a job and read over REST."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import os

import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from service.core.logs import make_log
from service.jobs.worker import Worker
from service.store.schema import AuditEntry, Reading
from tests.service.event_loop import run_apart
from tests.service.store.backends import ON_SQLITE
from training.files.families import load_families

HEAD = ["pack_id", "time", "state", "current_a", "temperature_c", *(f"block_{b}_v" for b in range(1, 15))]


def readings(*days, volts="13.0"):
    text = io.StringIO()
    rows = ([f"2026-03-{day:02d}T08:00:00Z", "rest", "0", "", *[volts] * 14] for day in days)
    csv.writer(text).writerows([HEAD, *(["MB-VAN-07", *row] for row in rows)])
    return text.getvalue().encode()


@pytest.fixture
def worker(store, clock, settings, tmp_path):
    def make(**changed) -> Worker:
        own = settings.model_copy(update=changed)
        return Worker(store, own, load_families(None), clock, make_log("error"))

    return make


def imported(filled, worker, tmp_path, **wanted):
    at = filled.post("/v1/jobs/imports", json=wanted).headers["Location"]
    worker(home=tmp_path).run(once=True)
    return filled.get(at).json()


def test_a_file_is_sent_listed_imported_and_removed(filled, worker, tmp_path, store):
    assert filled.put("/v1/inbox/readings.csv", content=readings(5, 6)).status_code == 204
    (waiting,) = filled.get("/v1/inbox").json()["items"]
    assert (waiting["name"], waiting["size"]) == ("readings.csv", len(readings(5, 6)))
    trial = imported(filled, worker, tmp_path, name="readings.csv", dry_run=True)
    assert (trial["result"]["taken"], trial["result"]["stored"]) == ({"readings": 2}, False)
    done = imported(filled, worker, tmp_path, name="readings.csv")
    assert (done["result"]["taken"], done["result"]["stored"]) == ({"readings": 2}, True)
    assert filled.delete("/v1/inbox/readings.csv").status_code == 204
    assert filled.get("/v1/inbox").json()["items"] == []
    with store.reading() as session:
        assert session.query(Reading).count() == 3
        actions = [entry.action for entry in session.query(AuditEntry)]
    assert actions.count("send_file") == actions.count("remove_from_inbox") == 1


@pytest.mark.parametrize("what", ["file", "folder", "file in a folder", "mapping"])
def test_links_in_the_inbox_are_not_followed(filled, worker, tmp_path, what, problem_in):
    """As somebody could lay them there who may write to the home but not read what they lead to."""
    inbox, secret = tmp_path / "inbox", tmp_path / "secret"
    inbox.mkdir()
    secret.mkdir()
    (secret / "readings.csv").write_bytes(readings(5))
    wanted = {"name": "readings.csv"}
    if what == "file":
        (inbox / "readings.csv").symlink_to(secret / "readings.csv")
    elif what == "folder":
        wanted = {"name": "march"}
        (inbox / "march").symlink_to(secret)
        problem_in(filled.put("/v1/inbox/march/readings.csv", content=b"x"), 409)
    elif what == "file in a folder":
        wanted = {"name": "march"}
        (inbox / "march").mkdir()
        (inbox / "march" / "readings.csv").symlink_to(secret / "readings.csv")
    else:
        (inbox / "readings.csv").write_bytes(readings(5))
        (inbox / "map.toml").symlink_to(secret / "readings.csv")
        wanted["mapping"] = "map.toml"
    listed = filled.get("/v1/inbox").json()["items"]
    assert [file["name"] for file in listed] == (["readings.csv"] if what == "mapping" else [])
    job = imported(filled, worker, tmp_path, **wanted)
    assert job["state"] == "failed"
    assert "links in the inbox are not followed" in job["problems"][0]["what"]
    filled.delete(f"/v1/inbox/{wanted['name']}")
    assert (secret / "readings.csv").read_bytes() == readings(5)


def test_what_is_left_of_a_file_that_never_came_in_whole_goes_at_the_start(tmp_path, settings, source):
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    old, young, whole = inbox / ".coming-old", inbox / ".coming-young", inbox / "readings.csv"
    for path in (old, young, whole):
        path.write_bytes(b"x")
    for path in (old, whole):
        os.utime(path, (1e9, 1e9))
    with TestClient(create_app(settings.model_copy(update={"home": tmp_path}), models=source)):
        assert sorted(path.name for path in inbox.iterdir()) == [".coming-young", "readings.csv"]


def test_the_faults_of_a_sent_file_are_read_on_its_job(filled, worker, tmp_path, store):
    bad = readings(5, 6).replace(b"13.0", b"13,1", 1)
    filled.put("/v1/inbox/readings.csv", content=bad)
    job = imported(filled, worker, tmp_path, name="readings.csv")
    assert (job["state"], job["result"]["stored"]) == ("done", False)
    (fault,) = job["result"]["faults"]
    assert (fault["file"], fault["row"]) == ("readings.csv", 2)
    assert fault["mend"]
    kept = imported(filled, worker, tmp_path, name="readings.csv", keep_good=True)
    assert (kept["result"]["stored"], kept["result"]["taken"]) == (True, {"readings": 1})


def test_tables_of_one_folder_are_imported_together(filled, worker, tmp_path):
    packs = b"pack_id,family,age_years,odometer_km\r\nMB-CAB-3,gravel-14,7,\r\n"
    filled.put("/v1/inbox/march/packs.csv", content=packs)
    filled.put("/v1/inbox/march/readings.csv", content=readings(5).replace(b"MB-VAN-07", b"MB-CAB-3"))
    assert [file["name"] for file in filled.get("/v1/inbox").json()["items"]] == [
        "march/packs.csv",
        "march/readings.csv",
    ]
    job = imported(filled, worker, tmp_path, name="march")
    assert job["result"]["taken"] == {"packs": 1, "readings": 1}
    assert filled.delete("/v1/inbox/march").status_code == 204
    assert filled.get("/v1/inbox").json()["items"] == []


def test_a_loggers_file_goes_with_its_mapping(filled, worker, tmp_path):
    mapping = f"blocks = [{', '.join(f'{chr(34)}V{b}{chr(34)}' for b in range(1, 15))}]\n"
    mapping += '[columns]\ntime = "time"\n[fixed]\npack_id = "MB-VAN-07"\nstate = "rest"\n[units]\nblock_v = "mV"\n'
    log = "time," + ",".join(f"V{b}" for b in range(1, 15)) + "\n2026-03-07T08:00:00Z," + ",".join(["13010"] * 14)
    filled.put("/v1/inbox/log.csv", content=log.encode())
    filled.put("/v1/inbox/log.toml", content=mapping.encode())
    job = imported(filled, worker, tmp_path, name="log.csv", mapping="log.toml")
    assert job["result"]["stored"], job
    newest = filled.get("/v1/readings?pack_id=MB-VAN-07").json()["items"][-1]
    assert newest["block_v"][0] == pytest.approx(13.01)


def test_a_file_that_is_too_large_leaves_nothing_behind(make_api, problem_in, tmp_path):
    api = make_api(max_upload_bytes=1000)
    document = problem_in(api.put("/v1/inbox/readings.csv", content=b"x" * 1001), 413)
    assert "TIDEOVER_MAX_UPLOAD_BYTES" in document["detail"]
    pieces = (b"x" * 400 for _ in range(3))
    problem_in(api.put("/v1/inbox/readings.csv", content=pieces), 413)
    assert api.put("/v1/inbox/readings.csv", content=b"x" * 1000).status_code == 204
    assert [path.name for path in (tmp_path / "inbox").iterdir()] == ["readings.csv"]
    # The limit of other bodies is not touched by it.
    assert "TIDEOVER_MAX_BODY_BYTES" in problem_in(api.post("/v1/forecasts", content=b"x" * 2_000_001), 413)["detail"]


@pytest.mark.parametrize("name", ["../x.csv", ".hidden", "a/b/c.csv", "..", "a b.csv", "%2e%2e%2fx.csv", "x" * 65])
def test_only_plain_names_get_into_the_inbox(api, name, tmp_path):
    assert api.put(f"/v1/inbox/{name}", content=b"x").status_code in (404, 405, 422)
    assert not (tmp_path / "inbox").exists()


def test_a_file_with_nothing_in_it_is_told_and_replaces_none(api, problem_in):
    assert api.put("/v1/inbox/readings.csv", content=b"x").status_code == 204
    for address in ("/v1/inbox/readings.csv", "/v1/inbox/march/readings.csv"):
        (problem,) = problem_in(api.put(address), 422)["problems"]
        assert problem["what"] == "There is nothing in the file."
    assert [(file["name"], file["size"]) for file in api.get("/v1/inbox").json()["items"]] == [("readings.csv", 1)]


def test_one_file_of_a_folder_is_removed_and_nothing_behind_a_link(api, tmp_path, problem_in):
    for name in ("packs.csv", "readings.csv"):
        assert api.put(f"/v1/inbox/march/{name}", content=b"x").status_code == 204
    assert api.delete("/v1/inbox/march/packs.csv").status_code == 204
    assert [file["name"] for file in api.get("/v1/inbox").json()["items"]] == ["march/readings.csv"]
    problem_in(api.delete("/v1/inbox/march/packs.csv"), 404)
    problem_in(api.delete("/v1/inbox/march/readings.csv/x"), 404)
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "kept").write_bytes(b"x")
    (tmp_path / "inbox" / "link").symlink_to(tmp_path / "elsewhere")
    problem_in(api.delete("/v1/inbox/link/kept"), 404)
    assert (tmp_path / "elsewhere" / "kept").exists()


def test_a_power_cut_does_not_take_back_a_file(api, tmp_path, synced):
    assert api.put("/v1/inbox/march/readings.csv", content=b"x").status_code == 204
    assert {tmp_path / "inbox", tmp_path / "inbox" / "march"} <= set(synced())


def test_a_name_that_is_taken_by_a_folder_is_told(api, problem_in):
    api.put("/v1/inbox/march/packs.csv", content=b"x")
    problem_in(api.put("/v1/inbox/march", content=b"x"), 409)
    api.put("/v1/inbox/april", content=b"x")
    problem_in(api.put("/v1/inbox/april/packs.csv", content=b"x"), 409)
    problem_in(api.delete("/v1/inbox/may"), 404)


@ON_SQLITE
def test_a_file_that_stops_coming_is_not_kept(make_api, tmp_path):
    app = make_api(upload_seconds=1).app
    sent = []

    async def receive():
        await asyncio.sleep(0.3)
        return {"type": "http.request", "body": b"piece", "more_body": True}

    async def send(message):
        sent.append(message)

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "PUT",
        "scheme": "http",
        "path": "/v1/inbox/readings.csv",
        "raw_path": b"/v1/inbox/readings.csv",
        "query_string": b"",
        "root_path": "",
        "headers": [(b"host", b"127.0.0.1")],
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 80),
        "state": {},
    }
    run_apart(asyncio.wait_for(app(scope, receive, send), 10))
    assert sent[0]["status"] == 408
    assert "TIDEOVER_UPLOAD_SECONDS" in json.loads(b"".join(m.get("body", b"") for m in sent[1:]))["detail"]
    assert list((tmp_path / "inbox").iterdir()) == []


def test_a_report_is_written_by_a_job_and_read_as_the_service_told_it(
    filled, worker, tmp_path, home, clock, problem_in, synced
):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    filled.post("/v1/packs/MB-VAN-07/forecasts", json={})
    assert "made just now" in filled.get("/v1/live-record").json()["sentences"][0]
    clock.forward(days=1)
    assert filled.get("/v1/reports").json()["items"] == []
    (tmp_path / "models").symlink_to(home / "models")
    at = filled.post("/v1/jobs/reports", json={}).headers["Location"]
    worker(home=tmp_path).run(once=True)
    job = filled.get(at).json()
    assert job["state"] == "done", job["problems"]
    name = job["result"]["report"]
    (folder,) = {path.parent for path in tmp_path.rglob(f"{name}.json")}
    assert folder in synced(), "a power cut does not take it back"
    calibration = filled.get("/v1/calibration").json()
    assert filled.get(f"/v1/reports/{name}").json() == calibration
    assert calibration["told"]["whole"]["forecasts"] == 1
    assert calibration["told"]["sentences"][0] in job["result"]["sentences"]
    page = filled.get(f"/v1/reports/{name}/page")
    assert page.headers["Content-Type"].startswith("text/html")
    assert page.text == filled.get("/v1/calibration.html").text
    assert [report["name"] for report in filled.get("/v1/reports").json()["items"]] == [name]
    problem_in(filled.get("/v1/reports/none"), 404)
    problem_in(filled.get("/v1/reports/none/page"), 404)
