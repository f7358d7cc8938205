"""GET /v1/live-record and GET /v1/drift."""

from __future__ import annotations

from fastapi import APIRouter, Request

from service.forecasting.track_record.inputs import drift_of
from service.forecasting.track_record.reading import live_record
from service.forecasting.track_record.schemas import Drift, LiveRecord
from service.http.dependencies import CurrentModel, CurrentStore, KnownFamilies
from service.http.problems import problem_responses

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
