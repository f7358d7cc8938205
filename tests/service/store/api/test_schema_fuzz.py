"""Requests made up from the served OpenAPI document, sent over the network: every check of schemathesis holds."""

from __future__ import annotations

import json
import socket
import threading
import time

import pytest
import schemathesis
import uvicorn
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode

from service.access.rate import RateLimit
from service.access.roles import MAY
from service.access.wrong_keys import WrongKeys
from service.forecasting.batch.routes import LINES

OPERATIONS = sorted(name for name in MAY if not name.startswith("page_"))
AT_ONCE = 12

# What a document cannot say is refused with 422 though it is valid by the document: a pack that is not stored, a
# currency that is none of ISO 4217, a moment before that of the pack's readings.
FITTING = ["2xx", "304", "400", "401", "404", "409", "412", "422"]


@schemathesis.serializer(LINES)
def _lines(_context, value):
    """Send text as it was drawn, anything else as one line of JSON."""
    return value if isinstance(value, bytes) else (value if isinstance(value, str) else json.dumps(value)).encode()


@pytest.fixture
def served(filled, keys):
    """The application over a real socket, with its store opened by the test."""
    # One check sends wrong keys, more of them in a minute than are looked at from one address.
    filled.app.state.wrong_keys = WrongKeys(RateLimit(1_000_000))
    server = uvicorn.Server(uvicorn.Config(filled.app, lifespan="off", log_level="error"))
    schema = schemathesis.openapi.from_dict(filled.get("/openapi.json").json())
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        while not server.started:
            time.sleep(0.01)
        schema.config.update(base_url=f"http://127.0.0.1:{listener.getsockname()[1]}")
        schema.config.checks.positive_data_acceptance.expected_statuses = FITTING
        yield schema, keys["admin"]
        server.should_exit = True
        thread.join()


@pytest.mark.parametrize("first", range(0, len(OPERATIONS), AT_ONCE))
@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
def test_every_check_holds_for_valid_and_for_invalid_requests(served, first):
    """On PostgreSQL, the stricter one of the two about what a text or a number may hold."""
    schema, key = served
    described = {o.ok().definition.raw["operationId"]: o.ok() for o in schema.get_all_operations()}
    assert set(described) == set(OPERATIONS)
    for operation in OPERATIONS[first : first + AT_ONCE]:
        _try(described[operation], key)


def _try(operation, key):
    # Any text is a body of lines, each answered by itself: nothing that is sent can be of another type.
    lines = any(body.media_type == LINES for body in operation.body)
    modes = [GenerationMode.POSITIVE] if lines else [GenerationMode.POSITIVE, GenerationMode.NEGATIVE]

    @settings(
        max_examples=6,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        database=None,
        derandomize=True,
        phases=[Phase.explicit, Phase.generate],
    )
    @given(st.data())
    def check(data):
        mode = data.draw(st.sampled_from(modes))
        data.draw(operation.as_strategy(generation_mode=mode)).call_and_validate(headers=key)

    check()
