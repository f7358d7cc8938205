"""The application, built by `create_app`; nothing happens at import."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from fastapi import Depends, FastAPI
from fastapi.openapi.utils import get_openapi

from models.base.errors import Problem
from service.access.roles import OPEN_PATHS, require_complete_table, require_role
from service.app_store import add_store, store_lifespan, store_routers
from service.core.clock import now_utc
from service.core.logs import make_log
from service.core.model_source import ModelSource, RegistrySource
from service.core.settings import Settings
from service.forecasting.batch.routes import BATCH
from service.forecasting.batch.routes import router as batch
from service.forecasting.forecasts.routes import router as forecasts
from service.forecasting.model.family_routes import router as families
from service.forecasting.model.routes import router as model
from service.forecasting.track_record.calibration_routes import router as calibration
from service.http.address_check import require_writable_address
from service.http.body_limit import BodyLimit
from service.http.gzip_bodies import GzipBodies
from service.http.problems import PROBLEM_MEDIA_TYPE, install_problem_handlers, problem_responses
from service.http.request_log import RequestLog
from service.http.turns import Turns, in_turn
from service.operation.health_routes import router as health
from service.pages.adding import add_pages, page_routers
from service.records.subjects.all_subjects import SUBJECTS
from service.store.opening import Store
from training.files.families import LiveFamilies
from training.registry import ModelRegistry

DESCRIPTION = (
    "Forecasts how long a hybrid's topped-up high-voltage pack will hold before its fault returns. "
    "A probability is not permission: cautions come with every forecast."
)


ACCESS_KEY = {
    "type": "http",
    "scheme": "bearer",
    "description": "An access key. While there are none, the service asks for none and answers this machine only.",
}


def create_app(
    settings: Settings,
    *,
    models: ModelSource | None = None,
    log: Any = None,
    store: Store | None = None,
    clock: Callable[[], datetime] = now_utc,
    shared: Path | None = None,
) -> FastAPI:
    """Build the application.

    Parameters
    ----------
    models : ModelSource, optional
        What says which model answers; by default the registry in the settings' home.
    log : structlog logger, optional
        By default one JSON line an event on standard error.
    store : Store, optional
        By default opened from the settings when the application starts; closed when it stops.
    clock : callable, optional
        Returns the time now, with offset.
    shared : Path, optional
        Folder in which several processes of one service count how often somebody calls.
    """
    log = log or make_log(settings.log_level)

    def warn(problem: Problem) -> None:
        log.warning("file not taken up", **problem.as_dict())

    if models is None:
        models = RegistrySource(ModelRegistry(settings.models_dir, warn))
    app = FastAPI(
        title="Tideover",
        version=version("tideover"),
        description=DESCRIPTION,
        # The stock documentation pages fetch scripts from another host; this service talks to nobody.
        docs_url=None,
        redoc_url=None,
        lifespan=store_lifespan(settings, store),
        dependencies=[Depends(require_writable_address), Depends(require_role), Depends(in_turn, scope="function")],
        responses=problem_responses(401, 403, 421, 429),
    )
    app.state.settings = settings
    app.state.models = models
    app.state.turns = Turns(settings.computed_at_once)
    app.state.families = LiveFamilies(settings.own_families_dir, warn)
    install_problem_handlers(app)
    app.add_middleware(
        BodyLimit,
        max_bytes=settings.max_body_bytes,
        max_upload_bytes=settings.max_upload_bytes,
        max_records_bytes=settings.max_records_bytes,
        records=frozenset({BATCH, *(f"/v1/{subject.name}" for subject in SUBJECTS)}),
    )
    app.add_middleware(GzipBodies)
    add_store(app, settings, clock, shared)
    app.add_middleware(RequestLog, log=log)
    add_pages(app)
    routers = (
        forecasts,
        batch,
        calibration,
        model,
        families,
        health,
        *store_routers(settings.max_page),
        *page_routers(),
    )
    require_complete_table(routers)
    for router in routers:
        app.include_router(router)
    app.openapi = lambda: openapi_of(app)  # type: ignore[method-assign]
    return app


def first_sentence(text: str) -> str:
    """Return a text's first sentence, without its full stop."""
    return re.split(r"(?<=[^.])[.:;](?:\s|$)", " ".join(text.split()), maxsplit=1)[0]


def openapi_of(app: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI document, as people read it and generators of clients need it.

    Every error stands under the media type it is really sent with; each schema has a title of its own, from which
    generators make names of types; the summary of an operation is its first sentence; and it says how to send a key.
    """
    if app.openapi_schema is None:
        schema = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes, tags=app.openapi_tags
        )
        for name, described in schema["components"]["schemas"].items():
            described["title"] = name.replace("-", "")
        schema["components"]["securitySchemes"] = {"accessKey": ACCESS_KEY}
        schema["security"] = [{"accessKey": []}]
        for address, path in schema["paths"].items():
            for operation in path.values():
                operation["summary"] = first_sentence(operation["description"])
                if address in OPEN_PATHS:
                    operation["security"] = []
                for status, response in operation["responses"].items():
                    if int(status) >= 400:
                        (content,) = response["content"].values()
                        response["content"] = {PROBLEM_MEDIA_TYPE: content}
        app.openapi_schema = schema
    return app.openapi_schema
