"""GET /metrics."""

from __future__ import annotations

from datetime import datetime

from fastapi import APIRouter, Request
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest
from sqlalchemy import func, select
from starlette.responses import Response

from models.base.errors import ModelRefused
from service.http.dependencies import CurrentStore
from service.http.problems import problem_responses
from service.jobs.self_checks import newest_check
from service.operation.measures import Measures
from service.store.schema import Job, OutgoingMessage, Score

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
        manifest = request.app.state.models.current().manifest
        measures.model.labels(manifest.model_id).set(1)
        measures.model_made.set(manifest.created.timestamp())
    except ModelRefused:
        measures.model.labels("none").set(0)
    measures.jobs.clear()
    with store.reading() as session:
        for state, count in session.execute(select(Job.state, func.count()).group_by(Job.state)):
            measures.jobs.labels(state).set(count)
        oldest = session.scalar(select(func.min(Job.created_at)).where(Job.state == "queued"))
        now: datetime = request.app.state.clock()
        measures.waiting.set(0 if oldest is None else max((now - oldest).total_seconds(), 0))
        lost = select(func.count()).select_from(OutgoingMessage).where(OutgoingMessage.state == "given-up")
        measures.notices_lost.set(session.scalar(lost) or 0)
        measures.open_cases.set(session.scalar(select(func.count()).select_from(Score)) or 0)
        if (check := newest_check(session)) is not None and check.result is not None and check.ended_at is not None:
            measures.checked.set(check.ended_at.timestamp())
            measures.sound.set(check.result["sound"])
            measures.alarm.set(bool(check.result["alarm"]))
            measures.drifted.set(len(check.result["drifted"]))
    return Response(generate_latest(measures.registry), media_type=CONTENT_TYPE_LATEST)
