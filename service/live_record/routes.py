"""GET /v1/live-record and GET /v1/drift."""

from __future__ import annotations

from fastapi import APIRouter, Request

from service.families.routes import KnownFamilies
from service.live_record.inputs import drift_of
from service.live_record.reading import live_record
from service.live_record.schemas import Drift, LiveRecord
from service.model.routes import CurrentModel
from service.problems import problem_responses
from service.records.routes import CurrentStore

router = APIRouter(prefix="/v1", tags=["live record"])


@router.get("/live-record", operation_id="read_live_record", responses=problem_responses(503))
def read_live_record(request: Request, store: CurrentStore) -> LiveRecord:
    """Tell what people were told, month by month, what came of it, and where the alarm stands."""
    with store.reading() as session:
        return live_record(session, request.app.state.clock())


@router.get("/drift", operation_id="read_drift", responses=problem_responses(409, 503))
def read_drift(request: Request, store: CurrentStore, model: CurrentModel, families: KnownFamilies) -> Drift:
    """Tell whether recent packs look like those the model learned from, feature by feature."""
    state = request.app.state
    with store.reading() as session:
        return drift_of(session, model.model, families, state.clock(), threads=state.settings.threads)
