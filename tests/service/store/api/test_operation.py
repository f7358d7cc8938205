"""What whoever runs the service sees of it: readiness, metrics, slow clients, a lost database."""

from __future__ import annotations

import asyncio
import json

from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import text

from service.store.opening import Store, engine_for, store_url
from tests.service.event_loop import run_apart
from tests.service.store.backends import ON_SQLITE


def samples(api):
    response = api.get("/metrics")
    assert response.headers["Content-Type"].startswith("text/plain")
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(response.text)
        for sample in family.samples
    }


def total(found, name, **labels):
    return sum(
        v for (n, found_labels), v in found.items() if n == name and labels.items() <= dict(found_labels).items()
    )


def test_metrics_count_by_route_and_never_name_a_pack(filled):
    """Read back by the parser of the Prometheus project's own client library."""
    filled.delete("/v1/outcomes/1?reason=a+slip")
    before = samples(filled)
    filled.get("/v1/packs/MB-VAN-07")
    filled.get("/v1/nothing/MB-VAN-07")
    filled.post("/v1/packs/MB-VAN-07/forecasts", json={})
    filled.post("/v1/jobs/scoring", json={})
    after = samples(filled)

    def more(name, **labels):
        return total(after, name, **labels) - total(before, name, **labels)

    assert more("tideover_requests_total", route="/v1/packs/{record_id}", status="200") == 1
    assert more("tideover_requests_total", route="none", status="404") == 1
    assert more("tideover_forecast_seconds_count") == 1
    assert total(after, "tideover_jobs", state="queued") == 1
    model = filled.get("/v1/model").json()["model_id"]
    assert total(after, "tideover_model_info", model_id=model) == 1
    assert "MB-VAN-07" not in filled.get("/metrics").text


def test_stops_are_counted_by_code(filled, problem_in):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    filled.patch("/v1/topups/1", json={"charge_ah": 400}, headers={"Sure": "*"})
    overfilled = {"name": "tideover_stops_total", "code": "overfilled"}
    before = total(samples(filled), **overfilled)
    document = problem_in(filled.post("/v1/packs/MB-VAN-07/forecasts", json={}), 409)
    assert document["type"].endswith("stop")
    assert total(samples(filled), **overfilled) == before + 1


def test_forecasts_that_are_flagged_as_out_of_range_are_counted_apart(filled):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    filled.patch("/v1/packs/MB-VAN-07", json={"odometer_km": 700_000})
    flagged = {"name": "tideover_forecasts_out_of_range_total", "told": "flagged"}
    before = total(samples(filled), **flagged)
    given = filled.post("/v1/packs/MB-VAN-07/forecasts", json={}).json()["answer"]
    assert "out-of-range" in [flag["code"] for flag in given["flags"]]
    history = filled.get("/v1/packs/MB-VAN-07/history").json()
    assert filled.post("/v1/forecasts", json={"history": history}).status_code == 200
    assert total(samples(filled), **flagged) == before + 2


def test_readiness_tells_the_schema_and_the_digest_of_the_model(api, store, problem_in):
    ready = api.get("/readyz").json()
    assert len(ready["payload_sha256"]) == 64
    assert ready["schema_revision"]
    with store.writing() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '0000'"))
    assert "schema of the store is 0000" in problem_in(api.get("/readyz"), 503)["detail"]


def test_a_database_that_is_gone_is_503_everywhere_and_the_process_lives(api, tmp_path, problem_in):
    api.app.state.store = Store(engine_for(store_url(tmp_path, "postgresql://nobody@127.0.0.1:1/none")))
    assert api.get("/healthz").status_code == 200
    problem_in(api.get("/readyz"), 503)
    assert problem_in(api.get("/v1/packs"), 503)
    assert api.get("/v1/packs").headers["Retry-After"]


@ON_SQLITE
def test_a_body_that_comes_drop_by_drop_is_408(make_api):
    app = make_api(body_seconds=1).app
    sent = []

    async def receive():
        await asyncio.sleep(0.3)
        return {"type": "http.request", "body": b" ", "more_body": True}

    async def send(message):
        sent.append(message)

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": "/v1/vehicles",
        "raw_path": b"/v1/vehicles",
        "query_string": b"",
        "root_path": "",
        "headers": [(b"host", b"127.0.0.1"), (b"content-type", b"application/json")],
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 80),
        "state": {},
    }
    run_apart(asyncio.wait_for(app(scope, receive, send), 10))
    assert sent[0]["status"] == 408
    document = json.loads(b"".join(m.get("body", b"") for m in sent[1:]))
    assert "within 1 seconds" in document["detail"]
