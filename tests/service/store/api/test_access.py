"""Who may do what: the table of roles walked through route by route; keys that expire, or call too often."""

from __future__ import annotations

import contextlib
import re
import threading

import pytest
from fastapi.testclient import TestClient
from sqlalchemy.exc import OperationalError

from service.access.callers import ROLES
from service.access.keys import make_key, revoke_key
from service.access.roles import MAY, OPEN_PATHS
from service.access.visits import COOKIE
from service.core.refusals import Conflict
from service.store.schema import ApiKey, AuditEntry
from tests.service.store.backends import ON_SQLITE


def operations(client):
    for path, methods in client.app.openapi()["paths"].items():
        for method, operation in methods.items():
            yield operation["operationId"], method.upper(), re.sub(r"\{\w+\}", "1", path)


def call(client, method, path, headers=None):
    body = {} if method in ("POST", "PATCH") else None
    return client.request(method, path, json=body, headers=headers)


@ON_SQLITE
def test_the_table_names_every_operation_and_no_other(api):
    assert {operation for operation, _, _ in operations(api)} == {name for name in MAY if not name.startswith("page_")}


@ON_SQLITE
def test_without_a_key_and_with_a_wrong_role_nothing_is_answered(filled, keys, problem_in, store):
    with store.reading() as session:
        before = session.query(AuditEntry).count()
    for operation, method, path in operations(filled):
        if path in OPEN_PATHS:
            assert call(filled, method, path).status_code not in (401, 403)
            continue
        anonymous = call(filled, method, path)
        problem_in(anonymous, 401)
        assert anonymous.headers["WWW-Authenticate"].startswith("Bearer")
        for role in set(ROLES) - MAY[operation]:
            assert operation in problem_in(call(filled, method, path, keys[role]), 403)["detail"]
    with store.reading() as session:
        assert session.query(AuditEntry).count() == before


@ON_SQLITE
def test_with_the_right_role_every_operation_gets_past_the_door(filled, keys):
    for operation, method, path in operations(filled):
        if method == "GET" or operation.startswith("create_"):
            role = min(MAY[operation] - {"admin"}, default="admin")
            assert call(filled, method, path, keys[role]).status_code not in (401, 403), operation


@pytest.mark.parametrize("given", ["", "Bearer", "Bearer wrong", "Basic dXNlcjpwYXNz", "Bearer \u00e9\u00e9"])
def test_what_is_no_key_opens_nothing(filled, keys, problem_in, given):
    problem_in(filled.get("/v1/packs", headers={"Authorization": given.encode("latin-1")}), 401)


def test_a_key_expires_on_its_day(filled, keys, clock, problem_in):
    made = filled.post("/v1/keys", json={"title": "t", "role": "bench", "days": 30}, headers=keys["admin"]).json()
    headers = {"Authorization": f"Bearer {made['key']}"}
    clock.forward(days=29)
    assert filled.get("/v1/packs", headers=headers).status_code == 200
    clock.forward(days=1)
    assert f"{made['id']} expired on 2026-04-13" in problem_in(filled.get("/v1/packs", headers=headers), 401)["detail"]


def test_a_revoked_key_opens_nothing_and_stays_in_the_list(filled, keys, problem_in):
    made = filled.post("/v1/keys", json={"title": "t", "role": "bench"}, headers=keys["admin"]).json()
    assert filled.delete(f"/v1/keys/{made['id']}", headers=keys["admin"]).json()["revoked_at"]
    problem_in(filled.get("/v1/packs", headers={"Authorization": f"Bearer {made['key']}"}), 401)
    listed = {k["id"]: k for k in filled.get("/v1/keys", headers=keys["admin"]).json()["items"]}
    assert listed[made["id"]]["revoked_at"]


def test_a_key_is_shown_once_and_stored_nowhere(filled, keys, store):
    response = filled.post("/v1/keys", json={"title": "t", "role": "bench"}, headers=keys["admin"])
    assert response.headers["Cache-Control"] == "no-store"
    key = response.json()["key"]
    assert len(key) > 40
    assert key not in filled.get("/v1/keys", headers=keys["admin"]).text
    with store.reading() as session:
        for table in reversed(ApiKey.metadata.sorted_tables):
            assert key not in str(session.execute(table.select()).all())


def test_an_answer_with_a_key_in_it_is_not_kept_for_repetition(api, problem_in):
    response = api.post("/v1/keys", json={"title": "t", "role": "admin"}, headers={"Idempotency-Key": "x"})
    assert problem_in(response, 422)["problems"][0]["where"] == "header.Idempotency-Key"


def test_nobody_is_locked_out(api, problem_in):
    problem_in(api.post("/v1/keys", json={"title": "t", "role": "bench"}), 409)
    admin = api.post("/v1/keys", json={"title": "t", "role": "admin"}).json()
    headers = {"Authorization": f"Bearer {admin['key']}"}
    api.post("/v1/keys", json={"title": "t", "role": "bench"}, headers=headers)
    problem_in(api.delete(f"/v1/keys/{admin['id']}", headers=headers), 409)


def test_revoking_every_key_does_not_open_the_door(api, problem_in):
    admin = api.post("/v1/keys", json={"title": "t", "role": "admin"}).json()
    assert api.delete(f"/v1/keys/{admin['id']}", headers={"Authorization": f"Bearer {admin['key']}"}).status_code == 200
    problem_in(api.get("/v1/packs"), 401)


def test_without_keys_only_a_service_on_loopback_lets_anybody_in(make_api, problem_in):
    assert make_api().get("/v1/packs").status_code == 200
    problem_in(make_api(host="192.168.1.4").get("/v1/packs"), 401)


def test_last_use_is_noted_to_the_minute(filled, keys, clock):
    def last_use():
        listed = filled.get("/v1/keys", headers=keys["admin"]).json()["items"]
        return {k["role"]: k["last_used_at"] for k in listed}["bench"]

    assert last_use() is None
    filled.get("/v1/packs", headers=keys["bench"])
    assert last_use() == "2026-03-14T09:00:00Z"
    clock.forward(minutes=5)
    filled.get("/v1/packs", headers=keys["bench"])
    assert last_use() == "2026-03-14T09:05:00Z"


@ON_SQLITE
def test_a_key_that_calls_too_often_is_slowed_down_and_others_are_not(make_api, problem_in):
    api = make_api(requests_per_minute=5)
    admin = {"Authorization": f"Bearer {api.post('/v1/keys', json={'title': 't', 'role': 'admin'}).json()['key']}"}
    other = api.post("/v1/keys", json={"title": "t", "role": "bench"}, headers=admin).json()["key"]
    answers = [api.get("/v1/packs", headers=admin) for _ in range(6)]
    assert [answer.status_code for answer in answers[:4]] == [200] * 4
    problem_in(answers[-1], 429)
    assert 1 <= int(answers[-1].headers["Retry-After"]) <= 12
    assert api.get("/v1/packs", headers={"Authorization": f"Bearer {other}"}).status_code == 200


def test_every_write_is_in_the_audit_trail_and_no_refused_one(filled, keys, problem_in):
    names = {k["role"]: k["id"] for k in filled.get("/v1/keys", headers=keys["admin"]).json()["items"]}
    request_id = {"X-Request-ID": "bench-7-1"}
    filled.post("/v1/vehicles", json={"id": "MB-VAN-30"}, headers=keys["bench"] | request_id)
    filled.post("/v1/vehicles", json={"id": "MB-VAN-30"}, headers=keys["bench"])
    filled.patch("/v1/vehicles/MB-VAN-30", json={"site": "x"}, headers=keys["fleet"])
    filled.delete("/v1/vehicles/MB-VAN-30", headers=keys["fleet"])
    lines = filled.get("/v1/audit", headers=keys["admin"]).json()["items"]
    assert [(line["by"], line["action"], line["record_id"]) for line in lines[-3:]] == [
        (names["bench"], "create_vehicle", "MB-VAN-30"),
        (names["fleet"], "correct_vehicle", "MB-VAN-30"),
        (names["fleet"], "withdraw_vehicle", "MB-VAN-30"),
    ]
    assert lines[-3]["request_id"] == "bench-7-1"
    assert [line["action"] for line in lines].count("create_key") == 5


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.0.0.1:8765", "localhost", "LOCALHOST:9000", "[::1]:8765", "127.1.2.3"]
)
def test_without_keys_the_machine_answers_by_its_own_names(make_api, host):
    assert make_api().get("/v1/packs", headers={"Host": host}).status_code == 200


@ON_SQLITE
@pytest.mark.parametrize(
    "host",
    ["pages.example", "pages.example:8765", "127.0.0.1.pages.example", "localhost.pages.example", "[::2]", "[", ""],
)
def test_without_keys_another_name_is_refused_so_that_no_site_can_call_through_a_browser(make_api, problem_in, host):
    """DNS rebinding: the name of a site of somebody else that points to this machine."""
    api = make_api()
    assert "name of this machine" in problem_in(api.get("/v1/packs", headers={"Host": host}), 421)["detail"]
    assert api.post("/v1/vehicles", json={"id": "MB-VAN-30"}, headers={"Host": host}).status_code == 421
    assert api.get("/", headers={"Host": host}).status_code == 421
    assert api.get("/healthz", headers={"Host": host}).status_code == 200


def test_without_keys_a_page_of_another_site_is_refused_by_its_origin(make_api, problem_in):
    api = make_api()
    problem_in(api.get("/v1/packs", headers={"Origin": "https://pages.example"}), 421)
    problem_in(api.get("/v1/packs", headers={"Origin": "null"}), 421)
    assert api.get("/v1/packs", headers={"Origin": "http://127.0.0.1:8765"}).status_code == 200


def test_with_a_key_any_name_will_do(filled, keys):
    """Behind a proxy the service has whatever name the proxy has; the key is what opens it."""
    headers = {"Host": "tideover.marrow-bay.example", **keys["bench"]}
    assert filled.get("/v1/packs", headers=headers).status_code == 200


def test_two_administrators_who_revoke_each_other_leave_one(store, clock):
    """On a real server both transactions run at once; one of them must come to see the other's."""
    for attempt in range(6):
        with store.writing() as session:
            session.query(ApiKey).delete()
            names = [make_key(session, "t", "admin", None, clock())[0].id for _ in range(2)]
            make_key(session, "t", "bench", None, clock())
        both_here = threading.Barrier(2)

        def revoke(name: str, both_here=both_here) -> None:
            both_here.wait()
            with contextlib.suppress(Conflict, OperationalError), store.writing() as session:
                revoke_key(session, name, clock())

        revokers = [threading.Thread(target=revoke, args=(name,)) for name in names]
        for revoker in revokers:
            revoker.start()
        for revoker in revokers:
            revoker.join()
        with store.reading() as session:
            left = session.query(ApiKey).filter(ApiKey.role == "admin", ApiKey.revoked_at.is_(None)).count()
        assert left == 1, attempt


def token_in(page):
    return re.search(r'name="form_token" value="([^"]+)"', page.text)[1]


def test_signing_out_ends_the_visit_on_the_server(api, keys):
    """Whoever copied the cookie, as from a shared tablet, is out as well."""
    key = keys["bench"]["Authorization"].removeprefix("Bearer ")
    browser = TestClient(api.app, base_url="http://127.0.0.1:8765", follow_redirects=False)
    asked = browser.get("/sign-in")
    sent = {"key": key, "form_token": token_in(asked)}
    assert browser.post("/sign-in", data=sent).status_code == 303
    assert browser.get("/bench").status_code == 200
    copied = browser.cookies.get(COOKIE)
    page = browser.get("/bench")
    assert browser.post("/sign-out", data={"form_token": token_in(page)}).status_code == 303
    assert browser.get("/bench").status_code == 303
    browser.cookies.clear()
    assert browser.get("/bench", headers={"Cookie": f"{COOKIE}={copied}"}).status_code == 303
    # Another visit with the same key goes on.
    browser.cookies.clear()
    sent = {"key": key, "form_token": token_in(browser.get("/sign-in"))}
    browser.post("/sign-in", data=sent)
    assert browser.get("/bench").status_code == 200
