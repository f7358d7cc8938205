"""GET /v1/model."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request

from models.grid import DAYS, HORIZON_DAYS
from service.model.schemas import GridFacts, ModelFacts
from service.model.source import ModelSource
from service.problems import problem_responses
from training.registry import StoredModel, model_card

router = APIRouter(prefix="/v1", tags=["model"])


def current_model(request: Request) -> StoredModel:
    """Return the model that answers, as a dependency."""
    source: ModelSource = request.app.state.models
    return source.current()


CurrentModel = Annotated[StoredModel, Depends(current_model)]


@router.get("/model", operation_id="read_model", responses=problem_responses(409))
def read_model(model: CurrentModel) -> ModelFacts:
    """Tell the identity, the training facts and the card of the model that answers."""
    manifest = model.manifest
    return ModelFacts(
        model_id=manifest.model_id,
        created=manifest.created,
        payload_sha256=manifest.payload_sha256,
        data_digest=manifest.data_digest,
        seed=manifest.seed,
        versions={"tideover": manifest.code_version, "python": manifest.python_version, **manifest.libraries},
        grid=GridFacts(version=manifest.grid_version, days=DAYS.tolist(), horizon_days=HORIZON_DAYS),
        families=list(manifest.families),
        scores=manifest.scores,
        facts=manifest.facts,
        card=model_card(manifest),
    )
