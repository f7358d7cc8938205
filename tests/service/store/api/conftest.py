"""The shipped application over each database, as somebody on this machine reaches it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal
from fastapi import FastAPI
from fastapi.testclient import TestClient

from service.access.callers import ROLES
from service.access.wrong_keys import WrongKeys
from service.app import create_app
from service.core.settings import Settings
from service.records.subjects.all_subjects import SUBJECTS
from service.store.opening import Store
from tests.service.stored_rows import Rows, put_rows, rows_in


class Clock:
    """The time, as the tests set it."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **span: float) -> None:
        self.now += timedelta(**span)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="session")
def applications(settings: Settings, source) -> Callable[..., FastAPI]:
    """The application with some settings changed, built once for all tests; its store is handed in by each."""
    built: dict[tuple[tuple[str, object], ...], FastAPI] = {}

    def application(**changed: object) -> FastAPI:
        which = tuple(sorted(changed.items()))
        if which not in built:
            built[which] = create_app(settings.model_copy(update=changed), models=source)
        return built[which]

    return application


@pytest.fixture(scope="session")
def event_loop_of_requests() -> Iterator[BlockingPortal]:
    """The event loop that all requests are answered in; a client by itself begins a thread and a loop for each."""
    with start_blocking_portal() as portal:
        yield portal


@pytest.fixture
def make_api(applications, tmp_path, store, clock, event_loop_of_requests) -> Callable[..., TestClient]:
    """The application over this test's store, with some settings changed."""

    def make(**changed: object) -> TestClient:
        # Many requests a minute: what keeps a key from calling too often has a test of its own.
        app = applications(**{"requests_per_minute": 100_000, **changed})
        app.state.store, app.state.clock = store, clock
        app.state.wrong_keys = WrongKeys()  # what one test sends does not count for the next
        app.state.settings = app.state.settings.model_copy(update={"home": tmp_path})
        client = TestClient(app, base_url="http://127.0.0.1:8765")
        client.portal = event_loop_of_requests
        return client

    return make


@pytest.fixture
def api(make_api) -> TestClient:
    """The application over an empty store, without keys."""
    return make_api()


@pytest.fixture(scope="session")
def rows_of_examples() -> dict[str, Rows]:
    """By database: the rows of each table that holds any, once the worked examples were sent over REST."""
    return {}


@pytest.fixture
def filled(api: TestClient, store: Store, backend: str, rows_of_examples) -> TestClient:
    """The application with one record of every subject: the worked examples.

    They are sent over REST once for each database; after that the rows that came of it are put in.
    """
    if backend not in rows_of_examples:
        for subject in SUBJECTS:
            response = api.post(f"/v1/{subject.name}", json=subject.example)
            assert response.status_code == 201, response.text
        rows_of_examples[backend] = rows_in(store)
    else:
        put_rows(store, rows_of_examples[backend])
    return api


@pytest.fixture
def keys(filled: TestClient) -> dict[str, dict[str, str]]:
    """Headers with a key of each role; from here on every request needs one."""
    admin: dict[str, str] = {}
    made = {}
    for role in ("admin", *(role for role in ROLES if role != "admin")):
        response = filled.post("/v1/keys", json={"title": f"{role} key", "role": role}, headers=admin)
        assert response.status_code == 201, response.text
        made[role] = {"Authorization": f"Bearer {response.json()['key']}"}
        admin = made["admin"]
    return made
