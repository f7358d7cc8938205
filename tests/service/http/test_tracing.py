"""Trace context: read as the standard has it, handed back, logged, and told to OpenTelemetry where that is set up."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st
from opentelemetry import trace
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter
from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator

from service.core import tracing
from service.core.logs import make_log
from service.core.tracing import TraceContext
from service.jobs.queue import enqueue
from service.jobs.worker import Worker
from service.store.upgrading import open_store
from training.files.families import load_families

# The examples of W3C Trace Context (Recommendation of 23 November 2021), 3.2.2.5 and 3.3.
PARENT = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"
TRACE, SPAN = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"


@pytest.fixture
def spans(monkeypatch):
    """What OpenTelemetry's SDK is told, in memory; set up as a launcher would do it."""
    told = InMemorySpanExporter()
    provider = TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(told))
    monkeypatch.setattr(trace, "get_tracer", provider.get_tracer)
    yield told.get_finished_spans
    provider.shutdown()


def test_an_answer_goes_on_with_the_callers_trace(client):
    answer = client.get("/healthz", headers={"traceparent": PARENT})
    ours = TraceContext.read(answer.headers["traceresponse"])
    assert (ours.trace_id, ours.sampled) == (TRACE, True)
    assert ours.span_id != SPAN


@pytest.mark.parametrize(
    "header",
    [
        "",
        "00-0-0-0",
        f"00-{'0' * 32}-{SPAN}-01",
        f"00-{TRACE}-{'0' * 16}-01",
        f"ff-{TRACE}-{SPAN}-01",
        f"00-{TRACE.upper()}-{SPAN}-01",
        f"00-{TRACE}-{SPAN}-01-more",
        f"00-{TRACE}-{SPAN}-1",
        f"00-{TRACE}-{SPAN}-01\tx",
        "x" * 5000,
    ],
)
def test_what_is_none_begins_a_new_trace(client, header):
    answer = client.get("/healthz", headers={"traceparent": header})
    ours = TraceContext.read(answer.headers["traceresponse"])
    assert ours is not None
    assert ours.trace_id != TRACE
    assert not ours.sampled


@given(st.from_regex(r"\A[0-9a-f]{2}-[0-9a-f]{32}-[0-9a-f]{16}-[0-9a-f]{2}(-[a-z]{0,3})?\Z") | st.text(max_size=60))
def test_it_is_read_as_open_telemetry_reads_it(header):
    theirs = trace.get_current_span(TraceContextTextMapPropagator().extract({"traceparent": header}))
    ours = TraceContext.read(header)
    if not theirs.get_span_context().is_valid:
        assert ours is None
    else:
        context = theirs.get_span_context()
        assert ours is not None
        assert (int(ours.trace_id, 16), int(ours.span_id, 16)) == (context.trace_id, context.span_id)
        assert ours.sampled == context.trace_flags.sampled


def test_requests_are_told_by_route_without_what_was_asked(client, spans):
    client.get("/v1/families", headers={"traceparent": PARENT})
    client.get("/v1/packs/MB-VAN-07/history?word=secret")
    client.get("/nowhere/MB-VAN-07")
    known, missing, nowhere = spans()
    assert (known.name, known.kind.name, known.attributes["http.response.status_code"]) == (
        "GET /v1/families",
        "SERVER",
        200,
    )
    assert (f"{known.context.trace_id:032x}", f"{known.parent.span_id:016x}") == (TRACE, SPAN)
    assert missing.name == "GET /v1/packs/{pack_id}/history"
    assert missing.attributes["http.response.status_code"] == 404
    assert missing.status.status_code.name == "UNSET", "a caller's mistake is no error of the service"
    assert nowhere.name == "no route"
    told = " ".join(span.to_json() for span in spans())
    assert "MB-VAN-07" not in told
    assert "secret" not in told


def test_an_error_is_told_without_its_words(client, spans, monkeypatch):
    def broken():
        raise RuntimeError("secret reading 12.5")

    monkeypatch.setattr(client.app.state.models, "current", broken)
    assert client.get("/v1/model").status_code == 500
    (span,) = spans()
    assert span.status.status_code.name == "ERROR"
    assert "secret" not in span.to_json()
    assert span.events == ()


def test_a_job_is_told(spans, settings, tmp_path):
    store = open_store(tmp_path)
    at = make_clock()
    with store.writing() as session:
        enqueue(session, "notices", {}, "x", at())
    Worker(store, settings, load_families(None), at, make_log("error")).run(once=True)
    store.close()
    (span,) = spans()
    assert (span.name, span.kind.name) == ("job notices", "CONSUMER")


def make_clock():
    from datetime import UTC, datetime

    return lambda: datetime(2026, 3, 14, 9, tzinfo=UTC)


def test_the_log_names_the_trace(make_app_log, capsys):
    with make_app_log() as client:
        client.get("/healthz", headers={"traceparent": PARENT})
    (line,) = [json.loads(line) for line in capsys.readouterr().err.splitlines() if '"request"' in line]
    assert line["trace_id"] == TRACE
    assert len(line["span_id"]) == 16


@pytest.fixture
def make_app_log(settings, source):
    from fastapi.testclient import TestClient

    from service.app import create_app

    return lambda: TestClient(
        create_app(settings, models=source, log=make_log("info")), base_url="http://127.0.0.1:8765"
    )


def test_without_open_telemetry_all_of_it_works(monkeypatch, client):
    monkeypatch.setattr(tracing, "_open_telemetry", lambda: None)
    answer = client.get("/healthz", headers={"traceparent": PARENT})
    assert TRACE in answer.headers["traceresponse"]
    code = "import sys; sys.modules['opentelemetry'] = None\nfrom service.core.tracing import step\n"
    code += "with step('x', 'SERVER') as running: print(len(running.context.trace_id))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "32"
