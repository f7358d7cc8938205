"""Idempotency-Key: a write that is sent again is not done again."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from service.records.subjects.all_subjects import READINGS
from service.store.schema import AuditEntry, Reading, Vehicle

VAN = {"id": "MB-VAN-21"}
KEY = {"Idempotency-Key": "bench-7/2026-03-14/1"}


def rows(store, table):
    with store.reading() as session:
        return session.query(table).count()


def test_a_repeated_write_gets_the_same_answer_and_is_not_done_again(api, store, clock):
    first = api.post("/v1/vehicles", json=VAN, headers=KEY)
    clock.forward(hours=23)
    again = api.post("/v1/vehicles", json=VAN, headers=KEY)
    assert (again.status_code, again.content) == (first.status_code, first.content) == (201, first.content)
    assert again.headers["Location"] == first.headers["Location"]
    assert again.headers["ETag"] == first.headers["ETag"]
    assert again.headers["Idempotency-Replayed"] == "true"
    assert "Idempotency-Replayed" not in first.headers
    assert rows(store, Vehicle) == rows(store, AuditEntry) == 1


def test_corrections_and_withdrawals_can_be_repeated_too(api):
    api.post("/v1/vehicles", json=VAN)
    for _ in range(2):
        headers = {"Idempotency-Key": "a", "If-Match": '"1"'}
        assert api.patch("/v1/vehicles/MB-VAN-21", json={"site": "x"}, headers=headers).json()["version"] == 2
    for _ in range(2):
        response = api.delete("/v1/vehicles/MB-VAN-21", headers={"Idempotency-Key": "b"})
        assert (response.status_code, response.content) == (204, b"")


def test_the_same_key_for_something_else_is_refused(api, store, problem_in):
    api.post("/v1/vehicles", json=VAN, headers=KEY)
    document = problem_in(api.post("/v1/vehicles", json={"id": "MB-VAN-22"}, headers=KEY), 422)
    assert document["problems"][0]["where"] == "header.Idempotency-Key"
    assert rows(store, Vehicle) == 1


def test_a_refused_write_does_not_use_up_its_key(api, problem_in):
    problem_in(api.post("/v1/readings", json=READINGS.example, headers=KEY), 422)
    api.post("/v1/packs", json={"id": "MB-VAN-07", "family": "gravel-14"})
    assert api.post("/v1/readings", json=READINGS.example, headers=KEY).status_code == 201


def test_a_key_is_forgotten_after_a_day(api, clock, problem_in):
    api.post("/v1/vehicles", json=VAN, headers=KEY)
    clock.forward(hours=25)
    problem_in(api.post("/v1/vehicles", json=VAN, headers=KEY), 409)


def test_keys_of_different_callers_do_not_meet(filled, keys):
    for role in ("bench", "fleet"):
        body = {"id": f"MB-VAN-{role}"}
        assert filled.post("/v1/vehicles", json=body, headers=keys[role] | KEY).json()["id"] == body["id"]


def test_the_same_write_many_times_at_once_is_done_once(api, store):
    api.post("/v1/packs", json={"id": "MB-VAN-07", "family": "gravel-14"})
    with ThreadPoolExecutor(12) as pool:
        answers = list(pool.map(lambda _: api.post("/v1/readings", json=READINGS.example, headers=KEY), range(12)))
    assert {answer.status_code for answer in answers} == {201}
    assert len({answer.content for answer in answers}) == 1
    assert rows(store, Reading) == 1


def test_the_same_fact_many_times_at_once_is_stored_once(api, store):
    api.post("/v1/packs", json={"id": "MB-VAN-07", "family": "gravel-14"})
    with ThreadPoolExecutor(12) as pool:
        answers = list(pool.map(lambda _: api.post("/v1/readings", json=READINGS.example), range(12)))
    assert sorted(answer.status_code for answer in answers) == [201] + [409] * 11
    assert rows(store, Reading) == 1
