"""The shipped application over each database, as somebody on this machine reaches it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from service.access.callers import ROLES
from service.access.wrong_keys import WrongKeys
from service.app import create_app
from service.core.settings import Settings
from service.records.subjects.all_subjects import SUBJECTS


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


@pytest.fixture
def make_api(applications, tmp_path, store, clock) -> Callable[..., TestClient]:
    """The application over this test's store, with some settings changed."""

    def make(**changed: object) -> TestClient:
        # Many requests a minute: what keeps a key from calling too often has a test of its own.
        app = applications(**{"requests_per_minute": 100_000, **changed})
        app.state.store, app.state.clock = store, clock
        app.state.wrong_keys = WrongKeys()  # what one test sends does not count for the next
        app.state.settings = app.state.settings.model_copy(update={"home": tmp_path})
        return TestClient(app, base_url="http://127.0.0.1:8765")

    return make


@pytest.fixture
def api(make_api) -> TestClient:
    """The application over an empty store, without keys."""
    return make_api()


@pytest.fixture
def filled(api: TestClient) -> TestClient:
    """The application with one record of every subject: the worked examples."""
    for subject in SUBJECTS:
        response = api.post(f"/v1/{subject.name}", json=subject.example)
        assert response.status_code == 201, response.text
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
