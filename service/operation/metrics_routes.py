"""GET /metrics."""

from __future__ import annotations

from fastapi import APIRouter, Request
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest
from sqlalchemy import func, select
from starlette.responses import Response

from models.base.errors import ModelRefused
from service.http.dependencies import CurrentStore
from service.http.problems import problem_responses
from service.operation.measures import Measures
from service.store.schema import Job

router = APIRouter(tags=["metrics"])


@router.get(
    "/metrics",
    operation_id="read_metrics",
    response_class=Response,
    responses={200: {"content": {"text/plain": {"schema": {"type": "string"}}}}, **problem_responses(503)},
)
def read_metrics(request: Request, store: CurrentStore) -> Response:
    """Read what the service counted and timed, in the text format of Prometheus."""
    measures: Measures = request.app.state.measures
    measures.model.clear()
    try:
        measures.model.labels(request.app.state.models.current().manifest.model_id).set(1)
    except ModelRefused:
        measures.model.labels("none").set(0)
    measures.jobs.clear()
    with store.reading() as session:
        for state, count in session.execute(select(Job.state, func.count()).group_by(Job.state)):
            measures.jobs.labels(state).set(count)
    return Response(generate_latest(measures.registry), media_type=CONTENT_TYPE_LATEST)
