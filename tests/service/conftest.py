"""What the service's tests share: a home with a trained model, the application, the command line."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from typer.main import get_command
from typer.testing import CliRunner, Result

from service.app import create_app
from service.cli.program import app as program
from service.core.model_source import RegistrySource
from service.core.settings import Settings
from service.forecasting.forecasts.examples import example_case
from service.forecasting.model.learning import store_trained
from service.store.opening import SQLITE_FILE
from service.store.upgrading import open_store
from tests.service.hostile_corpus import tries
from training.learning.fitting import Trained
from training.registry import ModelRegistry

LOCAL = "http://127.0.0.1:8765"
"""As somebody at this machine calls the service; by another name it does not answer without keys."""


AT_THE_BENCH = datetime(2026, 3, 11, 8, 0, tzinfo=UTC)
"""What the clock shows: cases are of some days before (`tests.cases.packs.BEFORE`, the worked example)."""


@pytest.fixture(scope="session", autouse=True)
def _patient() -> Iterator[None]:
    """Wait a minute for an answer unless a test says otherwise: a busy machine is slow, not wrong.

    Authorities are read once for all clients, which each would take longer to read than to ask.
    """
    authorities = httpx.create_ssl_context()
    with pytest.MonkeyPatch.context() as patch:
        for ask in (httpx.get, httpx.post, httpx.put, httpx.delete, httpx.request, httpx.Client.__init__):
            patch.setitem(ask.__kwdefaults__, "timeout", 60.0)
            patch.setitem(ask.__kwdefaults__, "verify", authorities)
        yield


@pytest.fixture(scope="session", autouse=True)
def _commands_read_once() -> Iterator[None]:
    """Read the commands' parameters once, as a program does; the runner would for each command that is run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("typer.testing._get_command", cache(get_command))
        yield


@pytest.fixture(autouse=True)
def _at_the_bench(monkeypatch: pytest.MonkeyPatch) -> None:
    """Set the clock of what is handed none."""
    monkeypatch.setattr("service.core.clock.now_utc", lambda: AT_THE_BENCH)


@pytest.fixture(autouse=True)
def _tries_told(record_property: Callable[[str, object], None]) -> Iterator[None]:
    """Tell the report of a run how many tries a test made that goes through a corpus."""
    before = len(tries)
    yield
    if made := sum(tries[before:]):
        record_property("tries", made)


@pytest.fixture(scope="session")
def home(tmp_path_factory: pytest.TempPathFactory, small_trained: Trained) -> Path:
    """The state folder with one trained, promoted model. Shared: tests must not change it."""
    home = tmp_path_factory.mktemp("home")
    store_trained(
        ModelRegistry(home / "models"),
        small_trained,
        families=("chert-30", "flint-40", "gravel-14", "loess-28", "marl-28", "shale-20"),
        created=datetime(2026, 3, 2, 8, 30, tzinfo=UTC),
    )
    return home


@pytest.fixture(scope="session")
def settings(home: Path) -> Settings:
    return Settings.from_environment({"TIDEOVER_HOME": str(home), "TIDEOVER_LOG_LEVEL": "error"})


@pytest.fixture(scope="session")
def source(settings: Settings) -> RegistrySource:
    return RegistrySource(ModelRegistry(settings.models_dir))


@pytest.fixture(scope="session")
def empty_store_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the schema and no record, to be copied: to make one takes twenty times as long as to open it."""
    folder = tmp_path_factory.mktemp("empty-store")
    open_store(folder).close()
    return folder / SQLITE_FILE


@pytest.fixture(scope="session")
def client(settings: Settings, source: RegistrySource) -> Iterator[TestClient]:
    with TestClient(create_app(settings, models=source, clock=lambda: AT_THE_BENCH), base_url=LOCAL) as client:
        yield client


@pytest.fixture
def tideover(home: Path, source: RegistrySource) -> Callable[..., Result]:
    """The command line, run in this process, where the model is in use already: no command loads it again."""
    source.current()

    def run(*arguments: str, env: dict[str, str] | None = None, **options) -> Result:
        variables = {"TIDEOVER_HOME": str(home), "TIDEOVER_LOG_LEVEL": "error", **(env or {})}
        return CliRunner().invoke(program, [*map(str, arguments)], env=variables, **options)

    return run


@pytest.fixture
def van_case() -> dict:
    """The worked example of the OpenAPI document; invented, made by the simulation."""
    return json.loads(json.dumps(example_case()))


@pytest.fixture
def problem_in() -> Callable[[httpx.Response, int], dict]:
    """Check that a response is a problem document of this status, and return it."""

    def check(response: httpx.Response, status: int) -> dict:
        assert response.status_code == status, response.text
        assert response.headers["Content-Type"] == "application/problem+json"
        document = response.json()
        assert document["status"] == status
        assert document["request_id"] == response.headers["X-Request-ID"]
        assert document["title"]
        assert document["detail"].endswith((".", "see problems."))
        assert document["type"] == "about:blank" or document["type"].startswith("urn:tideover:problem:")
        for part in document.get("problems", ()):
            assert set(part) == {"where", "what", "mend"}
        return document

    return check
