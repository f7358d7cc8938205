"""GET /v1/model."""

from __future__ import annotations

from fastapi import APIRouter

from models.base.day_grid import DAYS, HORIZON_DAYS
from service.forecasting.model.schemas import GridFacts, ModelFacts
from service.http.dependencies import CurrentModel
from service.http.problems import problem_responses
from training.registry import model_card

router = APIRouter(prefix="/v1", tags=["model"])


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
