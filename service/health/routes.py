"""GET /healthz and GET /readyz."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field
from starlette.responses import Response

from models.problems import ModelRefused
from service.model.source import ModelSource
from service.problems import problem_response, problem_responses

router = APIRouter(tags=["health"])


class Health(BaseModel):
    """The process answers."""

    status: Literal["alive"] = "alive"


class Readiness(BaseModel):
    """The service can forecast."""

    status: Literal["ready"] = "ready"
    model_id: str = Field(description="The model that would answer.")


@router.get("/healthz", operation_id="check_health", responses=problem_responses())
def check_health() -> Health:
    """Say that the process lives; looks at nothing else."""
    return Health()


@router.get("/readyz", operation_id="check_readiness", response_model=Readiness, responses=problem_responses(503))
def check_readiness(request: Request) -> Readiness | Response:
    """Say whether a model is loaded and may be used."""
    source: ModelSource = request.app.state.models
    try:
        return Readiness(model_id=source.current().manifest.model_id)
    except ModelRefused as error:
        return problem_response(request, 503, str(error), kind="model-refused", title="Not ready to forecast")
