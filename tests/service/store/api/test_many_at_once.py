"""Arrays of records, packed bodies, and what is new since a moment: how other programs bring much and fetch little."""

from __future__ import annotations

import csv
import gzip
import io
import json
import time
import zlib
from datetime import UTC, datetime, timedelta

import pyarrow.parquet as pq
import pytest

from service.records.schemas import MOST_TOGETHER
from service.records.subjects.all_subjects import READINGS, SUBJECTS
from service.store.schema import AuditEntry, EarlierVersion, Reading, Score

BEGIN = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
PACK = {"id": "MB-VAN-07", "family": "gravel-14"}
JSON = {"Content-Type": "application/json"}
PACKED = {**JSON, "Content-Encoding": "gzip"}


def readings(count, **more):
    return [{**READINGS.example, "time": (BEGIN + timedelta(seconds=i)).isoformat(), **more} for i in range(count)]


def rows(store, table):
    with store.reading() as session:
        return session.query(table).count()


def test_an_array_of_each_subject_is_stored_as_its_records_would_be_one_by_one(api):
    for subject in SUBJECTS:
        answer = api.post(f"/v1/{subject.name}", json=[subject.example])
        assert answer.status_code == 201, answer.text
        (name,) = answer.json()["ids"]
        assert name == subject.example.get("id", 1)
        stored = api.get(f"/v1/{subject.name}/{name}").json()
        assert stored["version"] == 1
        assert subject.new.model_validate({key: stored[key] for key in subject.new.model_fields}) == (
            subject.new.model_validate(subject.example)
        )


def test_ten_thousand_readings_are_stored_in_order_and_once(api, store):
    api.post("/v1/packs", json=PACK)
    body = readings(MOST_TOGETHER)
    began = time.process_time()
    first = api.post("/v1/readings", json=body, headers={"Idempotency-Key": "log-1"})
    assert first.status_code == 201, first.text[:500]
    assert time.process_time() - began < 20  # seconds of one slow core; about 3 here
    ids = first.json()["ids"]
    assert ids == sorted(ids)
    assert len(ids) == MOST_TOGETHER == rows(store, Reading)
    assert api.get(f"/v1/readings/{ids[17]}").json()["time"] == "2026-03-02T08:00:17Z"
    again = api.post("/v1/readings", json=body, headers={"Idempotency-Key": "log-1"})
    assert (again.json(), again.headers["Idempotency-Replayed"]) == (first.json(), "true")
    assert rows(store, Reading) == MOST_TOGETHER
    assert rows(store, AuditEntry) == 2


@pytest.mark.parametrize(
    ("body", "status", "where", "what"),
    [
        ([], 422, "input", "too few of these: 0"),
        (readings(MOST_TOGETHER + 1), 422, "input", "too many of these: 10001"),
        ([*readings(2), 7], 422, "[2]", "not a set of named fields"),
        ([*readings(2), {**READINGS.example, "block_v": [13.0] * 13}], 422, "[2].block_v", "14"),
        ([*readings(2), {**READINGS.example, "pack_id": "MB-VAN-08"}], 422, "[2].pack_id", "There is no 'MB-VAN-08'"),
        ([*readings(3), readings(2)[1]], 422, "[3].time", "[1] has the same pack and time"),
        ([*readings(2), {**READINGS.example, "state": "asleep"}], 422, "[2].state", "rest"),
    ],
    ids=["none", "too many", "no record", "unfit", "unknown pack", "twice", "bad in itself"],
)
def test_one_bad_record_stores_none(api, store, problem_in, body, status, where, what):
    api.post("/v1/packs", json=PACK)
    document = problem_in(api.post("/v1/readings", json=body), status)
    assert document["problems"][0]["where"] == where
    assert what in document["problems"][0]["what"]
    assert rows(store, Reading) == 0


def test_what_is_stored_already_is_a_conflict_that_names_the_place(api, store, problem_in):
    api.post("/v1/packs", json=PACK)
    api.post("/v1/readings", json=readings(3)[2])
    document = problem_in(api.post("/v1/readings", json=readings(3)), 409)
    assert document["detail"].startswith("[2]: Reading 1 has the same pack and time")
    assert rows(store, Reading) == 1


def test_every_record_that_does_not_fit_is_named_up_to_a_hundred(api, problem_in):
    api.post("/v1/packs", json=PACK)
    unfit = readings(3, block_v=[13.0] * 13) + readings(500, block_v=[13.0] * 12)[3:]
    problems = problem_in(api.post("/v1/readings", json=unfit), 422)["problems"]
    assert [problem["where"] for problem in problems[:3]] == [f"[{i}].block_v" for i in range(3)]
    assert len(problems) == 100


def test_top_ups_and_outcomes_keep_their_order_within_an_array_and_with_what_is_stored(api, problem_in):
    api.post("/v1/packs", json=PACK)
    days = [(BEGIN + timedelta(days=day)).isoformat() for day in range(4)]
    topups = [{"pack_id": "MB-VAN-07", "time": day, "blocks": [5]} for day in days]
    document = problem_in(api.post("/v1/topups", json=topups[:2]), 422)
    assert document["problems"][0]["where"] == "[1].time"
    assert "still open" in document["problems"][0]["what"]
    assert api.post("/v1/topups", json=topups[:1]).status_code == 201
    outcome = {"pack_id": "MB-VAN-07", "kind": "running"}
    early = {**outcome, "time": (BEGIN - timedelta(days=1)).isoformat()}
    assert (
        problem_in(api.post("/v1/outcomes", json=[{**outcome, "time": days[1]}, early]), 422)["problems"][0]["where"]
        == "[1].time"
    )
    assert api.post("/v1/outcomes", json=[{**outcome, "time": day} for day in days[1:3]]).status_code == 201
    assert api.post("/v1/topups", json=[{**topups[3], "blocks": [9]}]).status_code == 201


def test_records_of_an_array_are_checked_against_each_other(api, problem_in):
    api.post("/v1/packs", json=[PACK, {**PACK, "id": "MB-VAN-08"}])
    api.post("/v1/vehicles", json=[{"id": "MB-VAN-07"}, {"id": "MB-VAN-08"}])
    both = [
        {"pack_id": "MB-VAN-07", "vehicle_id": van, "since": BEGIN.isoformat()} for van in ("MB-VAN-07", "MB-VAN-08")
    ]
    document = problem_in(api.post("/v1/assignments", json=both), 422)
    assert document["problems"][0]["where"] == "[1].pack_id"
    assert api.get("/v1/assignments").json()["items"] == []


def test_a_withdrawn_name_counts_its_versions_on_in_an_array_too(api, store):
    api.post("/v1/vehicles", json={"id": "MB-VAN-07"})
    api.delete("/v1/vehicles/MB-VAN-07")
    assert rows(store, EarlierVersion) == 1
    api.post("/v1/vehicles", json=[{"id": "MB-VAN-06"}, {"id": "MB-VAN-07"}])
    assert api.get("/v1/vehicles/MB-VAN-07").json()["version"] == 2
    assert api.get("/v1/vehicles/MB-VAN-06").json()["version"] == 1


def test_a_pack_that_an_array_stops_leaves_the_lists_that_decide(filled, store):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    assert filled.post("/v1/packs/MB-VAN-07/forecasts", json={}).status_code == 201
    assert rows(store, Score) == 1
    shorted = [13.0] * 13 + [2.0]
    filled.post(
        "/v1/readings",
        json=[{**READINGS.example, "time": "2026-03-05T08:00:00Z", "block_v": shorted}],
        headers={"Sure": "*"},
    )
    assert rows(store, Score) == 0


def test_a_packed_body_is_read_as_what_was_packed(api, problem_in):
    api.post("/v1/packs", json=PACK)
    plain = json.dumps(readings(500)).encode()
    answer = api.post("/v1/readings", content=gzip.compress(plain), headers=PACKED)
    assert answer.status_code == 201, answer.text
    assert len(answer.json()["ids"]) == 500
    # RFC 1952, 2.2: several members one after the other are one file.
    two = gzip.compress(b'{"id": "MB-V') + gzip.compress(b'AN-09"}')
    assert api.post("/v1/vehicles", content=two, headers=PACKED).json()["id"] == "MB-VAN-09"
    once = {**PACKED, "Idempotency-Key": "a"}
    first = api.post("/v1/vehicles", content=gzip.compress(b'{"id": "MB-VAN-10"}'), headers=once)
    again = api.post("/v1/vehicles", content=gzip.compress(b'{"id": "MB-VAN-10"}', 1), headers=once)
    assert (again.status_code, again.content) == (201, first.content), "packed otherwise, but the same request"


@pytest.mark.parametrize(
    ("content", "coding", "status", "says"),
    [
        (b"no gzip", "gzip", 422, "is not"),
        (gzip.compress(b'{"id": "MB-VAN-09"}')[:-3], "gzip", 422, "ends too early"),
        (gzip.compress(b'{"id": "MB-VAN-09"}') + b"rest", "gzip", 422, "is not"),
        (zlib.compress(b'{"id": "MB-VAN-09"}'), "deflate", 415, "gzip"),
        (gzip.compress(gzip.compress(b"{}")), "gzip, gzip", 415, "gzip"),
    ],
    ids=["not packed", "cut off", "more after it", "packed otherwise", "packed twice"],
)
def test_a_body_packed_wrongly_is_refused_in_a_sentence(api, problem_in, content, coding, status, says):
    answer = api.post("/v1/vehicles", content=content, headers={**JSON, "Content-Encoding": coding})
    assert says in problem_in(answer, status)["detail"]
    assert status != 415 or answer.headers["Accept-Encoding"] == "gzip"


def test_a_bomb_is_stopped_at_the_limit_of_what_comes_out(make_api, problem_in):
    """Ten million blanks in ten kilobytes: unpacked to the limit, and no further."""
    bomb = gzip.compress(b" " * 10_000_000)
    assert len(bomb) < 20_000
    api = make_api(max_records_bytes=100_000, max_body_bytes=100_000)
    for address in ("/v1/readings", "/v1/forecasts"):
        assert "100000 bytes" in problem_in(api.post(address, content=bomb, headers=PACKED), 413)["detail"]


def test_only_doors_for_records_take_the_larger_limit(make_api, problem_in):
    api = make_api(max_records_bytes=100_000, max_body_bytes=2_000)
    body = json.dumps([{"id": f"MB-{i}"} for i in range(500)]).encode()
    assert api.post("/v1/vehicles", content=body, headers=JSON).status_code == 201
    problem_in(api.post("/v1/forecasts", content=body, headers=JSON), 413)
    problem_in(api.patch("/v1/vehicles/MB-1", content=body, headers=JSON), 413)


@pytest.mark.parametrize("subject", SUBJECTS, ids=lambda subject: subject.name)
def test_every_list_tells_what_is_new_since_a_moment(filled, clock, subject):
    """The clock of this store stands at 9:00; what was recorded then is not new an hour later."""
    address = f"/v1/{subject.name}"
    assert len(filled.get(address, params={"recorded_since": "2026-03-14T09:00:00Z"}).json()["items"]) == 1
    assert filled.get(address, params={"recorded_since": "2026-03-14T09:00:01Z"}).json()["items"] == []
    moment = datetime.fromisoformat(filled.get(address).json()["items"][0][subject.time or "recorded_at"])
    later = (moment + timedelta(seconds=1)).isoformat()
    assert len(filled.get(address, params={"since": moment.isoformat(), "before": later}).json()["items"]) == 1
    assert filled.get(address, params={"since": later}).json()["items"] == []
    assert filled.get(address, params={"before": moment.isoformat()}).json()["items"] == []


def test_jobs_are_listed_since_a_moment_too(filled, clock):
    filled.post("/v1/jobs/scoring", json={})
    assert len(filled.get("/v1/jobs", params={"since": "2026-03-14T09:00:00Z"}).json()["items"]) == 1
    assert filled.get("/v1/jobs", params={"since": "2026-03-14T09:00:01Z"}).json()["items"] == []


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_an_export_brings_what_is_new_corrected_or_withdrawn(filled, clock, form):
    def new(table):
        clock_then = {"format": form, "since": "2026-03-14T10:00:00Z"}
        content = filled.get(f"/v1/exports/{table}", params=clock_then).content
        if form == "csv":
            return list(csv.DictReader(io.StringIO(content.decode())))
        return pq.read_table(io.BytesIO(content)).to_pylist()

    tables = ("packs", "readings", "topups", "usage", "outcomes", "vehicles", "offers", "costs", "issued-forecasts")
    clock.forward(hours=1)
    assert [new(table) for table in tables] == [[]] * len(tables)
    filled.post("/v1/readings", json=readings(2))
    filled.patch("/v1/packs/MB-VAN-07", json={"age_years": 15})
    filled.delete("/v1/usage/1")
    assert len(new("readings")) == 2
    assert [float(pack["age_years"]) for pack in new("packs")] == [15]
    gone = [(row["subject"], row["record_id"], str(row["withdrawn"])) for row in new("earlier-versions")]
    assert gone == [("packs", "MB-VAN-07", "False"), ("usage", "1", "True")]
