"""Requests made to hurt: one alone must not freeze the service, fill its memory, or open what is closed."""

from __future__ import annotations

import time
from hashlib import sha256

import pytest
from itsdangerous import URLSafeSerializer

from service.access.visits import COOKIE, SECRET_FILE
from service.forecasting.forecasts.examples import example_case
from tests.service.store.backends import ON_SQLITE
from training.files.families import load_families

pytestmark = ON_SQLITE

CPU_SECONDS = 5.0
"""Processor time of this process: a busy machine does not move it."""

BOUNDARY = "edge"


@pytest.fixture
def soon():
    began = time.process_time()
    yield
    assert time.process_time() - began < CPU_SECONDS


def multipart(value: bytes, encoding: str) -> dict[str, object]:
    body = f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="key"\r\n\r\n'.encode() + value
    return {
        "content": body + f"\r\n--{BOUNDARY}--\r\n".encode(),
        "headers": {"Content-Type": f"multipart/form-data; boundary={BOUNDARY}; charset={encoding}"},
    }


@pytest.mark.usefixtures("soon")
@pytest.mark.parametrize("encoding", ["punycode", "unicode_escape", "utf-7", "idna", "undefined", "utf-16", "latin-1"])
@pytest.mark.parametrize("address", ["/sign-in", "/look", "/admin/imports", "/undo"])
def test_a_form_is_read_as_utf8_alone(api, encoding, address):
    answer = api.post(address, **multipart(b"-" * 7_000, encoding))
    assert answer.status_code == 415, answer.text
    assert "UTF-8" in answer.text


@pytest.mark.parametrize("encoding", ["utf-8", "UTF-8", '"utf-8"'])
def test_utf8_may_be_said(api, encoding):
    assert api.post("/sign-in", **multipart(b"x", encoding)).status_code == 403  # for want of its token


@pytest.mark.usefixtures("soon")
@pytest.mark.parametrize("address", ["/sign-in", "/sign-out", "/look"])
def test_what_anybody_may_send_is_short(api, address):
    assert api.post(address, **multipart(b"x" * 20_000, "utf-8")).status_code == 413
    assert api.post(address, data={"key": "x" * 20_000}).status_code == 413


@pytest.mark.parametrize("host", ["x/healthz?", "x/static?", "x/readyz?", "x/openapi.json#", "127.0.0.1/static/?"])
@pytest.mark.parametrize("role", ["read-only", "bench"])
def test_the_host_header_opens_nothing(api, keys, host, role):
    name = {"Host": host}
    assert api.post("/v1/keys", json={"role": "admin"}, headers=keys[role] | name).status_code == 403
    assert api.get("/v1/keys", headers=keys[role] | name).status_code == 403
    assert api.get("/v1/packs", headers=name).status_code in (401, 421)
    page = api.get("/admin/keys", headers=name, follow_redirects=False)
    assert page.status_code in (303, 401, 421)


def case_with_family(**changed: object) -> dict[str, object]:
    case = example_case()
    family = load_families()[case["history"]["family"]].model_dump(mode="json")
    return {"history": case["history"], "family": family | changed}


@pytest.mark.usefixtures("soon")
@pytest.mark.parametrize("field", ["rated_ah", "peak_current_a", "max_cell_v", "mass_kg", "rest_spread_limit_v"])
@pytest.mark.parametrize("value", [1e308, 1e30, 1e6])
@pytest.mark.parametrize("address", ["/v1/topup-plans", "/v1/forecasts", "/v1/what-if", "/v1/recheck"])
def test_every_number_of_a_family_has_an_upper_bound(api, address, field, value):
    answer = api.post(address, json=case_with_family(**{field: value}))
    assert answer.status_code == 422, answer.text
    assert answer.json()["problems"][0]["where"] == f"family.{field}"


@pytest.mark.usefixtures("soon")
@pytest.mark.parametrize("year", ["0001", "1500", "1677", "2263", "9999"])
@pytest.mark.parametrize("address", ["/v1/topup-plans", "/v1/forecasts", "/v1/what-if", "/v1/recheck"])
def test_years_that_cannot_be_meant(api, address, year):
    case = example_case()
    history = case["history"]
    late = {"history": history, "at": f"{year}-03-02T08:30:00+00:00"}
    shifted = {
        "history": history | {"readings": [{**r, "time": f"{year}{r['time'][4:]}"} for r in history["readings"]]}
    }
    planned = {"history": history | {"usage": [{"time": f"{year}-03-02T08:30:00Z", "km_per_day": 3}]}}
    for body in (late, shifted, planned):
        answer = api.post(address, json=body)
        assert answer.status_code == 422, answer.text
        assert "between 1990 and 2100" in answer.text


def long_case(readings: int, topups: int) -> dict[str, object]:
    history = example_case()["history"]
    volts = history["readings"][0]["block_v"]
    hours = [f"{2020 + n // 8640}-{n // 720 % 12 + 1:02d}-{n // 24 % 28 + 1:02d}T{n % 24:02d}" for n in range(40_000)]
    moments = sorted(set(hours))
    return {
        "history": history
        | {
            "readings": [{"time": f"{moments[n]}:00:00Z", "state": "rest", "block_v": volts} for n in range(readings)],
            "topups": [
                {"time": f"{moments[n * readings // topups]}:30:00Z", "blocks": [n % 14 + 1], "charge_ah": 1}
                for n in range(topups)
            ],
            "outcomes": [],
        }
    }


@pytest.mark.parametrize(("readings", "topups"), [(400, 1_000), (8_000, 2)])
@pytest.mark.parametrize("address", ["/v1/topup-plans", "/v1/forecasts"])
def test_a_long_history_is_answered_in_time(api, soon, address, readings, topups):
    answer = api.post(address, json=long_case(readings, topups))
    # So many charges of one block are a stop; looking for it must be quick as well.
    assert answer.status_code in (200, 409, 413, 422), answer.text


@pytest.mark.parametrize("header", ["Forwarded", "Via", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-IP"])
def test_without_keys_nobody_is_let_in_through_a_proxy(api, header):
    assert api.get("/v1/packs").status_code == 200
    assert api.get("/v1/packs", headers={header: "for=192.0.2.1"}).status_code == 421
    assert api.get("/bench", headers={header: "for=192.0.2.1"}).status_code == 421


def test_behind_a_proxy_a_key_opens_what_it_opens(api, keys):
    assert api.get("/v1/packs", headers=keys["bench"] | {"X-Forwarded-For": "192.0.2.1"}).status_code == 200


@pytest.mark.parametrize("left", [b"", b"\x00" * 5])
def test_an_empty_secret_signs_nothing(api, keys, tmp_path, left):
    """As a power cut could leave it: whoever knows that it is empty could write an administrator's cookie."""
    (tmp_path / SECRET_FILE).write_bytes(left)
    admin = next(
        key["id"] for key in api.get("/v1/keys", headers=keys["admin"]).json()["items"] if key["role"] == "admin"
    )
    signer = URLSafeSerializer(left, salt=COOKIE, signer_kwargs={"key_derivation": "hmac", "digest_method": sha256})
    forged = signer.dumps(["number", admin, 2**31])
    answer = api.get("/admin/keys", headers={"Cookie": f"{COOKIE}={forged}"}, follow_redirects=False)
    assert answer.status_code in (303, 401)
    assert len((tmp_path / SECRET_FILE).read_bytes()) == 32
    assert not [
        path for path in tmp_path.iterdir() if path.name.startswith(f"{SECRET_FILE}.") and path.suffix != ".lock"
    ]
