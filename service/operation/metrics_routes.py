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
    found: dict[str, dict[tuple[str, ...], float]] = {}
    try:
        manifest = request.app.state.models.current().manifest
        found["tideover_model_info"] = {(manifest.model_id,): 1}
        found["tideover_model_made_timestamp_seconds"] = {(): manifest.created.timestamp()}
    except ModelRefused:
        found["tideover_model_info"] = {("none",): 0}
    with store.reading() as session:
        states = session.execute(select(Job.state, func.count()).group_by(Job.state))
        found["tideover_jobs"] = {(state,): count for state, count in states}
        oldest = session.scalar(select(func.min(Job.created_at)).where(Job.state == "queued"))
        now: datetime = request.app.state.clock()
        waiting = 0 if oldest is None else max((now - oldest).total_seconds(), 0)
        found["tideover_job_waiting_seconds"] = {(): waiting}
        lost = select(func.count()).select_from(OutgoingMessage).where(OutgoingMessage.state == "given-up")
        found["tideover_notices_given_up"] = {(): session.scalar(lost) or 0}
        found["tideover_open_cases"] = {(): session.scalar(select(func.count()).select_from(Score)) or 0}
        if (check := newest_check(session)) is not None and check.result is not None and check.ended_at is not None:
            found["tideover_self_check_timestamp_seconds"] = {(): check.ended_at.timestamp()}
            found["tideover_self_check_sound"] = {(): check.result["sound"]}
            found["tideover_live_record_alarm"] = {(): bool(check.result["alarm"])}
            found["tideover_drifted_features"] = {(): len(check.result["drifted"])}
    measures.looked_up.values = found
    return Response(generate_latest(measures.together()), media_type=CONTENT_TYPE_LATEST)
