"""Requests made up from the served OpenAPI document, sent over the network: every check of schemathesis holds."""

from __future__ import annotations

import importlib
import socket
import threading
import time
from pathlib import Path

import pytest
import uvicorn
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from service.access.rate import RateLimit
from service.access.roles import MAY
from service.access.wrong_keys import WrongKeys
from tests.service.store.backends import ON_POSTGRESQL

OPERATIONS = sorted(name for name in MAY if not name.startswith("page_"))
AT_ONCE = 12

CONFIG = Path(__file__).parents[2] / "schemathesis.toml"


@pytest.fixture
def served(filled, keys):
    """The application over a real socket, with its store opened by the test."""
    import schemathesis  # here, or each process that collects tests pays a second for it

    importlib.import_module("tests.service.fuzz_hooks")  # for what it registers

    # One check sends wrong keys, more of them in a minute than are looked at from one address.
    filled.app.state.wrong_keys = WrongKeys(RateLimit(1_000_000))
    server = uvicorn.Server(uvicorn.Config(filled.app, lifespan="off", log_level="error"))
    config = schemathesis.Config.from_path(CONFIG)
    schema = schemathesis.openapi.from_dict(filled.get("/openapi.json").json(), config=config)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        while not server.started:
            time.sleep(0.01)
        schema.config.update(base_url=f"http://127.0.0.1:{listener.getsockname()[1]}")
        yield schema, keys["admin"]
        server.should_exit = True
        thread.join()


@pytest.mark.parametrize("first", range(0, len(OPERATIONS), AT_ONCE))
@ON_POSTGRESQL
def test_every_check_holds_for_valid_and_for_invalid_requests(served, first):
    """On PostgreSQL, the stricter one of the two about what a text or a number may hold."""
    schema, key = served
    described = {o.ok().definition.raw["operationId"]: o.ok() for o in schema.get_all_operations()}
    assert set(described) == set(OPERATIONS)
    for operation in OPERATIONS[first : first + AT_ONCE]:
        _try(described[operation], key)


def _try(operation, key):
    modes = operation.schema.config.generation_for(operation=operation).modes

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
