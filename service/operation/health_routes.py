"""GET /healthz and GET /readyz."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field
from sqlalchemy.exc import OperationalError
from starlette.responses import Response

from models.base.errors import ModelRefused
from service.core.model_source import ModelSource
from service.http.problems import problem_response, problem_responses
from service.store.upgrading import newest_revision, schema_revision

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
    except OperationalError:
        return problem_response(
            request, 503, "The store cannot be reached.", kind="store-unavailable", title="Not ready to forecast"
        )
    if revision != newest_revision():
        detail = f"The schema of the store is {revision}; this program needs {newest_revision()}."
        return problem_response(request, 503, detail, kind="store-unavailable", title="Not ready to forecast")
    try:
        manifest = source.current().manifest
        return Readiness(model_id=manifest.model_id, payload_sha256=manifest.payload_sha256, schema_revision=revision)
    except ModelRefused as error:
        return problem_response(request, 503, str(error), kind="model-refused", title="Not ready to forecast")
