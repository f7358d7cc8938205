"""Notices among the jobs: a look at what is to be told, and the job that delivers it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy import select

from models.packs.family import PackFamily
from service.core.settings import Settings
from service.jobs.queue import enqueue
from service.jobs.self_checks import standing_alarm
from service.notices.due import situation
from service.notices.outbox import put_down, sending_of, waits
from service.store.opening import Store
from service.store.schema import Job, Receiver

WORKER: Final = "worker"
"""Who starts these jobs."""


def look_for_notices(store: Store, settings: Settings, families: Mapping[str, PackFamily], now: datetime) -> int | None:
    """Put down what receivers are to be told, and have it delivered; return the job's number, None if there is none."""
    sending = sending_of(settings)
    if sending is None:
        return None
    with store.reading() as session:
        if session.scalar(select(Receiver.id).where(Receiver.paused_at.is_(None)).limit(1)) is None:
            return None
        known = situation(session, now, ZoneInfo(settings.time_zone), families, standing_alarm(session))
    with store.writing() as session:
        put_down(session, known, now, sending.pages)
        if not waits(session, now):
            return None
        unfinished = (Job.kind == "notices", Job.state.in_(("queued", "running")))
        return session.scalar(select(Job.id).where(*unfinished).limit(1)) or (
            enqueue(session, "notices", {}, WORKER, now).id
        )
