"""The queue of jobs in the store: who does what, until when, and how far it is."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final, Literal

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from models.base.errors import BadInput, Problem
from service.core.refusals import Conflict, NoSuchRecord
from service.core.translation import _
from service.store.opening import Store
from service.store.schema import Job

JobKind = Literal["training", "scoring", "import", "report", "self-check", "notices"]
LEASE: Final = timedelta(seconds=60)
"""A worker that has not been heard of for so long counts as gone, and its job is given to another one."""

MOST_ATTEMPTS: Final = 3
ENDED: Final = ("done", "failed", "cancelled")


class Stopped(Exception):
    """The job was cancelled, is in other hands by now, or the worker is asked to stop."""


def enqueue(session: Session, kind: JobKind, arguments: Mapping[str, Any], by: str, now: datetime) -> Job:
    """Put a job into the queue."""
    job = Job(
        kind=kind,
        arguments=dict(arguments),
        state="queued",
        steps_done=0,
        attempts=0,
        cancel_asked=False,
        created_at=now,
        created_by=by,
    )
    session.add(job)
    session.flush()
    return job


def claim(store: Store, worker: str, now: datetime) -> Job | None:
    """Take the oldest job that waits or whose worker is gone; None if there is none.

    Two workers never get the same one: PostgreSQL skips rows that another is just taking, SQLite lets one write at a
    time. A job that was tried too often has failed.
    """
    # A lease that ends later than any worker could have taken it comes from a clock that was ahead, and would hold the
    # job until that time comes. Clocks of machines that share a store agree within a lease (`require_same_clock`).
    gone = or_(Job.lease_until < now, Job.lease_until > now + 2 * LEASE)
    waiting = or_(Job.state == "queued", and_(Job.state == "running", gone))
    with store.writing() as session:
        while True:
            query = select(Job).where(waiting).order_by(Job.id).limit(1).with_for_update(skip_locked=True)
            job = session.scalar(query)
            if job is None:
                return None
            if job.cancel_asked:
                job.state, job.ended_at = "cancelled", now
            elif job.attempts >= MOST_ATTEMPTS:
                what = f"It was started {job.attempts} times and never came to an end."
                _end(
                    job, "failed", now, problems=[Problem("the job", what, "See the worker's log, then start it anew.")]
                )
            else:
                job.state, job.worker, job.lease_until = "running", worker, now + LEASE
                job.attempts += 1
                job.started_at = job.started_at or now
                return job
            session.flush()


def require_same_clock(store: Store, now: datetime) -> None:
    """Refuse a worker whose clock is not that of the database: it would take jobs from others, or leave them theirs.

    Raises
    ------
    BadInput
        They differ by more than half a lease.
    """
    if store.is_sqlite:  # on this machine
        return
    with store.reading() as session:
        theirs: datetime = session.execute(select(func.clock_timestamp())).scalar_one()
    apart = (now - theirs).total_seconds()
    if abs(apart) > LEASE.total_seconds() / 2:
        raise BadInput.one(
            "this machine's clock",
            f"It is {abs(apart):.0f} s {'ahead of' if apart > 0 else 'behind'} that of the database.",
            "Set both by the same time service, then start the worker again.",
        )


def beat(store: Store, job_id: int, worker: str, now: datetime) -> None:
    """Renew the lease.

    Raises
    ------
    Stopped
        The job was cancelled, or another worker has it.
    """
    with store.writing() as session:
        job = _held(session, job_id, worker)
        if job.cancel_asked:
            raise Stopped
        job.lease_until = now + LEASE


def tell(store: Store, job_id: int, worker: str, done: int, total: int | None, doing: str) -> None:
    """Say how far a job is; errors as for `beat`."""
    with store.writing() as session:
        job = _held(session, job_id, worker)
        job.steps_done, job.steps_total, job.doing = done, total, doing[:200]


def finish(session: Session, job_id: int, worker: str, now: datetime, result: Mapping[str, Any]) -> None:
    """Note that a job is done, in the same transaction as its last change; errors as for `beat`."""
    _end(_held(session, job_id, worker), "done", now, result=result)


def fail(store: Store, job_id: int, worker: str, now: datetime, problems: list[Problem]) -> None:
    """Note that a job has failed for a reason that another try would not change."""
    with store.writing() as session:
        _end(_held(session, job_id, worker), "failed", now, problems=problems)


def give_back(store: Store, job_id: int, worker: str, now: datetime) -> None:
    """Let go of a job: cancelled if somebody asked for that, else back in the queue without counting as a try."""
    with store.writing() as session:
        job = session.get(Job, job_id, with_for_update=True)
        if job is None or job.worker != worker or job.state != "running":
            return
        if job.cancel_asked:
            _end(job, "cancelled", now)
        else:
            job.state, job.worker, job.lease_until = "queued", None, None
            job.attempts -= 1


def cancel(session: Session, job_id: int, now: datetime) -> Job:
    """Ask for a job to end; one that waits ends at once, one that runs at its next step.

    Raises
    ------
    NoSuchRecord
    Conflict
        It has ended already.
    """
    job = session.get(Job, job_id, with_for_update=True)
    if job is None:
        raise NoSuchRecord(_("There is no job %(number)s.") % {"number": job_id})
    if job.state in ENDED:
        raise Conflict(_("Job %(number)s has ended already: it is %(state)s.") % {"number": job_id, "state": job.state})
    job.cancel_asked = True
    if job.state == "queued":
        _end(job, "cancelled", now)
    session.flush()
    return job


def _held(session: Session, job_id: int, worker: str) -> Job:
    job = session.get(Job, job_id, with_for_update=True)
    if job is None or job.worker != worker or job.state != "running":
        raise Stopped
    return job


def _end(
    job: Job,
    state: str,
    now: datetime,
    *,
    result: Mapping[str, Any] | None = None,
    problems: list[Problem] | None = None,
) -> None:
    job.state, job.ended_at, job.lease_until = state, now, None
    job.result = None if result is None else dict(result)
    job.problems = None if problems is None else [problem.as_dict() for problem in problems]
