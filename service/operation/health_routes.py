"""GET /healthz and GET /readyz."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Final, Literal

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field
from sqlalchemy.exc import DatabaseError
from starlette.responses import Response

from models.base.errors import ModelRefused
from service.core.model_source import ModelSource
from service.http.problems import problem_response, problem_responses
from service.store.trouble import cause_of, trouble_of
from service.store.upgrading import newest_revision, schema_revision

PROBE_BYTES: Final = 65_536
"""Of a readiness probe: some pages of the database, so that the next few writes have room. Our choice."""

router = APIRouter(tags=["health"])


class Health(BaseModel):
    """The process answers."""

    status: Literal["alive"] = "alive"


class Readiness(BaseModel):
    """The service can forecast."""

    status: Literal["ready"] = "ready"
    model_id: str = Field(description="The model that would answer.")
    payload_sha256: str = Field(description="Digest of its file, as it was checked when it was loaded.")
    schema_revision: str = Field(description="Schema of the store's database, which can be reached.")


@router.get("/healthz", operation_id="check_health", responses=problem_responses())
async def check_health() -> Health:
    """Say that the process lives; looks at nothing else, and waits for no thread to be free."""
    return Health()


@router.get("/readyz", operation_id="check_readiness", response_model=Readiness, responses=problem_responses(503))
def check_readiness(request: Request) -> Readiness | Response:
    """Say whether a model is loaded and may be used, and the store can be reached and has the right schema."""
    source: ModelSource = request.app.state.models
    try:
        revision = schema_revision(request.app.state.store)
        require_room(request.app.state.settings.home)
    except (DatabaseError, OSError) as error:
        return _not_ready(request, error)
    if revision != newest_revision():
        detail = f"The schema of the store is {revision}; this program needs {newest_revision()}."
        return problem_response(request, 503, detail, kind="store-unavailable", title="Not ready to forecast")
    try:
        manifest = source.current().manifest
        return Readiness(model_id=manifest.model_id, payload_sha256=manifest.payload_sha256, schema_revision=revision)
    except ModelRefused as error:
        return problem_response(request, 503, str(error), kind="model-refused", title="Not ready to forecast")


def _not_ready(request: Request, error: DatabaseError | OSError) -> Response:
    said = {
        "full": (507, "disk-full", "The disk of the service is full"),
        "damaged": (503, "store-damaged", "The database is damaged"),
    }
    status, kind, what = said.get(trouble_of(error) or "", (503, "store-unavailable", "The store cannot be reached"))
    request.state.cause = cause = cause_of(error)
    return problem_response(request, status, f"{what} ({cause}).", kind=kind, title="Not ready to forecast")


def require_room(home: Path) -> None:
    """Raise OSError unless something can be written into the home: tried, and gone again at once."""
    with tempfile.TemporaryFile(dir=home) as file:
        file.write(bytes(PROBE_BYTES))
        file.flush()
