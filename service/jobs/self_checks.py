"""Self-checks among the jobs: the first of a model is what later ones are compared with, the newest is what is told."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import false, func, select
from sqlalchemy.orm import Session

from models.packs.family import PackFamily
from service.forecasting.track_record.self_check import self_check
from service.notices.due import Alarm
from service.store.schema import Job
from training.registry import StoredModel

_DONE_CHECK = (Job.kind == "self-check", Job.state == "done")
_DONE = select(Job).where(*_DONE_CHECK)


def checked_now(
    session: Session, model: StoredModel, families: Mapping[str, PackFamily], now: datetime, *, threads: int
) -> dict[str, Any]:
    """Check, and compare with the first check of the same model."""
    same = Job.result["payload_sha256"].as_string() == model.manifest.payload_sha256
    first = session.scalar(_DONE.where(same).order_by(Job.id).limit(1))
    return self_check(session, model, families, now, None if first is None else first.result, threads=threads)


def newest_check(session: Session) -> Job | None:
    """Return the newest self-check that came to its end."""
    return session.scalar(_DONE.order_by(Job.id.desc()).limit(1))


def standing_alarm(session: Session) -> Alarm | None:
    """Return the alarm of the live record if the newest self-check found it, with the check since which it stands."""
    newest = newest_check(session)
    if newest is None or not (newest.result or {}).get("alarm"):
        return None
    raised = func.coalesce(Job.result["alarm"].as_boolean(), false())
    quiet = session.scalar(select(func.max(Job.id)).where(*_DONE_CHECK, ~raised)) or 0
    since = session.scalar(select(func.min(Job.id)).where(*_DONE_CHECK, Job.id > quiet)) or newest.id
    return Alarm(since, " ".join((newest.result or {}).get("sentences", [])))


def keep_check(session: Session, result: Mapping[str, Any], by: str, now: datetime) -> None:
    """Keep a check that was made without a worker, as the command does."""
    session.add(
        Job(
            kind="self-check",
            arguments={},
            state="done",
            steps_done=0,
            attempts=1,
            cancel_asked=False,
            created_at=now,
            created_by=by,
            started_at=now,
            ended_at=now,
            result=dict(result),
        )
    )
