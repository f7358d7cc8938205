"""Every error is a problem document (RFC 9457) with a request identifier, and tells nothing it should not."""

from __future__ import annotations

import io
import json

import pytest
import structlog
from fastapi import FastAPI
from fastapi.testclient import TestClient

from service.app import create_app

JSON = {"Content-Type": "application/json"}


@pytest.mark.parametrize("body", [b"{", b"", b"{'history': 1}", b"\xff\xfe{}", b"[" * 100_000])
def test_malformed_json_is_400(client, problem_in, body):
    response = client.post("/v1/forecasts", content=body, headers=JSON)
    if body == b"":
        assert problem_in(response, 422)["problems"][0]["what"] == "This is required."
    else:
        assert "JSON" in problem_in(response, 400)["detail"]


def test_unknown_address_is_404(client, problem_in):
    document = problem_in(client.get("/v1/nothing"), 404)
    assert document["type"] == "about:blank"
    assert document["title"] == "Not Found"
    assert document["instance"] == "/v1/nothing"


def test_wrong_method_is_405_and_says_which_are_allowed(client, problem_in):
    """RFC 9110, 15.5.6: a 405 carries Allow."""
    response = client.get("/v1/forecasts")
    problem_in(response, 405)
    assert response.headers["Allow"] == "POST"


@pytest.mark.parametrize(
    ("method", "address", "allowed"),
    [
        ("DELETE", "/v1/packs", "GET, POST"),
        ("PUT", "/v1/packs/x", "DELETE, GET, PATCH"),
        ("PATCH", "/v1/inbox/a", "DELETE, PUT"),
        ("GET", "/v1/keys/x", "DELETE"),
        ("TRACE", "/healthz", "GET"),
        ("PUT", "/sign-in", "GET, POST"),
        ("BREW", "/v1/forecasts", "POST"),
    ],
)
def test_allow_names_every_method_of_the_address(client, method, address, allowed):
    response = client.request(method, address)
    assert response.status_code == 405
    assert response.headers["Allow"] == allowed


@pytest.mark.parametrize("address", ["/v1/packs", "/v1/families", "/v1/nothing", "/healthz", "/openapi.json"])
def test_no_answer_is_kept_or_taken_for_something_else(client, address):
    headers = client.get(address).headers
    assert headers["Cache-Control"] == "no-store"
    assert headers["X-Content-Type-Options"] == "nosniff"


def test_a_report_for_programs_runs_nothing_in_a_browser(client):
    answer = client.get("/v1/calibration.html")
    assert answer.status_code == 200
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'; style-src 'unsafe-inline'")
    assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin"


@pytest.mark.parametrize("declared", [None, "text/plain", "application/x-www-form-urlencoded", "application/xml"])
def test_body_not_declared_as_json_is_415(client, problem_in, van_case, declared):
    headers = {} if declared is None else {"Content-Type": declared}
    response = client.post("/v1/forecasts", content=json.dumps(van_case), headers=headers)
    assert "Content-Type: application/json" in problem_in(response, 415)["detail"]


def test_charset_beside_the_media_type_is_accepted(client, van_case):
    headers = {"Content-Type": "application/json; charset=utf-8"}
    assert client.post("/v1/forecasts", content=json.dumps(van_case), headers=headers).status_code == 200


def test_body_over_the_limit_is_413_whether_its_length_is_declared_or_not(settings, source, problem_in, van_case):
    small = settings.model_copy(update={"max_body_bytes": 1000})
    with TestClient(create_app(small, models=source), base_url="http://127.0.0.1") as client:
        content = json.dumps(van_case).encode()
        assert len(content) > 1000
        for body in (content, iter([content[:900], content[900:]])):
            response = client.post("/v1/forecasts", content=body, headers=JSON)
            assert "1000 bytes" in problem_in(response, 413)["detail"]


class _Failing:
    """A model source with a fault of its own, which quotes an input."""

    def current(self):
        raise RuntimeError("secret plate number")


def test_fault_of_ours_is_500_without_a_trace(settings, problem_in):
    written = io.StringIO()
    log = structlog.wrap_logger(structlog.WriteLogger(written), processors=[structlog.processors.JSONRenderer()])
    with TestClient(create_app(settings, models=_Failing(), log=log), base_url="http://127.0.0.1") as client:
        response = client.get("/v1/model", headers={"X-Request-ID": "from-the-bench-7"})
    document = problem_in(response, 500)
    assert document["request_id"] == "from-the-bench-7"
    for leaked in ("secret", "RuntimeError", "Traceback", ".py"):
        assert leaked not in response.text
    failed, finished = (json.loads(line) for line in written.getvalue().splitlines())
    assert failed["error"] == "RuntimeError"
    assert failed["at"][-1].startswith("test_problem_documents.py:")
    assert finished["status"] == 500
    assert "secret" not in written.getvalue()


@pytest.mark.parametrize("sent", ["bay-17", "a" * 64])
def test_a_sound_request_id_comes_back(client, sent):
    assert client.get("/healthz", headers={"X-Request-ID": sent}).headers["X-Request-ID"] == sent


@pytest.mark.parametrize("sent", ["", "a" * 65, "two words", "<script>", "x\u00e9"])
def test_any_other_request_id_is_replaced(client, sent):
    got = client.get("/healthz", headers={"X-Request-ID": sent.encode("latin-1")}).headers["X-Request-ID"]
    assert got != sent
    assert len(got) == 32


def test_log_names_the_route_and_no_input(settings, source, van_case):
    written = io.StringIO()
    log = structlog.wrap_logger(structlog.WriteLogger(written), processors=[structlog.processors.JSONRenderer()])
    with TestClient(create_app(settings, models=source, log=log), base_url="http://127.0.0.1") as client:
        client.post("/v1/forecasts?note=private", json=van_case)
        client.post("/v1/forecasts", json={"history": {"pack_id": "PRIVATE-1"}})
    lines = [json.loads(line) for line in written.getvalue().splitlines()]
    assert [(line["route"], line["status"]) for line in lines] == [("/v1/forecasts", 200), ("/v1/forecasts", 422)]
    for private in ("private", "PRIVATE", van_case["history"]["pack_id"]):
        assert private not in written.getvalue()


def test_every_route_declares_every_error_it_can_give(client):
    schema = client.get("/openapi.json").json()
    declared = {
        operation["operationId"]: {status for status in operation["responses"] if int(status) >= 400}
        for path in schema["paths"].values()
        for operation in path.values()
    }
    door = {"401", "403", "421", "429", "500"}
    assert all(statuses >= door for statuses in declared.values())
    stateless = {
        "make_forecast": {"400", "408", "409", "413", "415", "422"},
        "read_calibration": {"409", "503", "507"},
        "read_calibration_page": {"409", "503", "507"},
        "read_model": {"409"},
        "list_families": set(),
        "check_health": set(),
        "check_readiness": {"503", "507"},
    }
    assert {name: declared[name] - door for name in stateless} == stateless
    for path in schema["paths"].values():
        for operation in path.values():
            for status, response in operation["responses"].items():
                if int(status) >= 400:
                    assert list(response["content"]) == ["application/problem+json"]


def test_nothing_happens_at_import_or_before_the_first_request(settings, tmp_path):
    home = tmp_path / "untouched"
    app = create_app(settings.model_copy(update={"home": home}))
    assert isinstance(app, FastAPI)
    assert not home.exists()
