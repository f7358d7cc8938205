"""The worker: takes jobs, keeps its lease while it works, and stops between two steps when asked to."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Callable, Mapping
from datetime import datetime
from secrets import token_hex
from threading import Event, Thread
from time import monotonic
from typing import Any, Final

from sqlalchemy.exc import DatabaseError, OperationalError
from sqlalchemy.orm import Session

from models.base.errors import BadInput, ModelRefused, Problem, TideoverError
from models.packs.family import PackFamily
from service.core.settings import Settings
from service.core.tracing import Step, step
from service.jobs.notices import look_for_notices
from service.jobs.queue import LEASE, Stopped, beat, claim, fail, finish, give_back, tell
from service.jobs.work import WORK, Task
from service.store.opening import Store
from service.store.schema import Job
from service.store.trouble import cause_of, told_trouble

LOOK_EVERY_S: Final = 1.0
NOTICES_EVERY_S: Final = 300.0
"""Between two looks whether somebody is to be told something. Our choice."""

TOLD_EVERY_S: Final = 0.5
"""Between two notes of progress in the store."""


class Worker:
    """Does jobs one after the other.

    Parameters
    ----------
    clock : callable
        Returns the time now, with offset.
    log : structlog logger
    shown : callable, optional
        Told of progress besides the store: the terminal.
    """

    def __init__(
        self,
        store: Store,
        settings: Settings,
        families: Mapping[str, PackFamily],
        clock: Callable[[], datetime],
        log: Any,
        shown: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.store = store
        self.settings = settings
        self.families = families
        self.clock = clock
        self.log = log
        self.shown = shown
        self.name = f"{socket.gethostname()[:32]}-{os.getpid()}-{token_hex(3)}"
        self.stop = Event()
        self._next_look = 0.0

    def run(self, *, once: bool = False) -> None:
        """Work until `stop` is set, or with `once` until the queue is empty."""
        while not self.stop.is_set():
            self._look_for_notices()
            try:
                job = claim(self.store, self.name, self.clock())
            except OperationalError as error:
                self.log.warning("store busy", cause=cause_of(error))
                job = None
            if job is not None:
                self._do(job)
            elif once:
                return
            else:
                self.stop.wait(LOOK_EVERY_S)

    def _look_for_notices(self) -> None:
        if monotonic() < self._next_look:
            return
        self._next_look = monotonic() + NOTICES_EVERY_S
        try:
            look_for_notices(self.store, self.settings, self.families, self.clock())
        except Exception as error:
            # Whatever is wrong with one record, the other jobs go on.
            self.log.error("notices not looked for", error=type(error).__name__)

    def _do(self, job: Job) -> None:
        with step(f"job {job.kind}", "CONSUMER") as running:
            running.attributes = {"tideover.job.attempt": job.attempts}
            self._do_as(job, running)

    def _do_as(self, job: Job, running: Step) -> None:
        trace_id = running.context.trace_id
        log = self.log.bind(job=job.id, kind=job.kind, attempt=job.attempts, trace_id=trace_id)
        log.info("job started")
        self.shown(f"Job {job.id} ({job.kind}) started.")
        ended, lost = Event(), Event()
        beating = Thread(target=self._keep_lease, args=(job.id, ended, lost), daemon=True)
        beating.start()
        try:
            WORK[job.kind](self._task(job, lost))
            log.info("job done")
            self.shown(f"Job {job.id} is done.")
        except Stopped:
            self._let_go(job)
            log.info("job let go")
            self.shown(f"Job {job.id} was let go.")
        except (BadInput, ModelRefused) as error:
            problems = [part for part in getattr(error, "problems", error.args) if isinstance(part, Problem)]
            self._fail(job, problems, log)
        except TideoverError as error:
            what = f"It cannot be judged: {str(error).rstrip('.')}."
            self._fail(job, [Problem("the job", what, "Give more packs, with more of their outcomes known.")], log)
        except DatabaseError as error:
            # The database went away: the lease runs out, and whoever comes next takes the job up again.
            log.warning("store lost", cause=cause_of(error))
        except Exception as error:
            running.failed = True
            if (trouble := told_trouble(error)) is not None:
                self._fail(job, [trouble], log)
                return
            what = f"Something went wrong inside Tideover ({type(error).__name__})."
            self._fail(job, [Problem("the job", what, "Report this with the worker's log.")], log)
        finally:
            ended.set()
            beating.join()

    def _fail(self, job: Job, problems: list[Problem], log: Any) -> None:
        try:
            fail(self.store, job.id, self.name, self.clock(), problems)
        except Stopped:
            self._let_go(job)
        except DatabaseError as error:
            log.warning("store lost", cause=cause_of(error))
        log.warning("job failed", problems=len(problems))
        self.shown(f"Job {job.id} failed: {' '.join(map(str, problems))}")

    def _let_go(self, job: Job) -> None:
        # Where the store does not take it, the lease runs out by itself.
        with contextlib.suppress(DatabaseError):
            give_back(self.store, job.id, self.name, self.clock())

    def _keep_lease(self, job_id: int, ended: Event, lost: Event) -> None:
        while not ended.wait(LEASE.total_seconds() / 6):
            try:
                beat(self.store, job_id, self.name, self.clock())
            except Stopped:
                lost.set()
                return
            except DatabaseError:
                continue

    def _task(self, job: Job, lost: Event) -> Task:
        told = 0.0

        def tell_store(done: int, total: int | None, doing: str) -> None:
            nonlocal told
            if lost.is_set() or self.stop.is_set():
                raise Stopped
            # An import on SQLite holds the one place of a writer until its end, so its steps are shown here only.
            if monotonic() - told >= TOLD_EVERY_S:
                told = monotonic()
                if not (self.store.is_sqlite and job.kind == "import"):
                    tell(self.store, job.id, self.name, done, total, doing)
                self.shown(f"Job {job.id}: {doing} ({done}{f' of {total}' if total else ''})")

        def done(session: Session, result: Mapping[str, Any]) -> None:
            finish(session, job.id, self.name, self.clock(), result)

        return Task(
            store=self.store,
            settings=self.settings,
            families=self.families,
            arguments=job.arguments,
            by=job.created_by,
            now=self.clock,
            tell=tell_store,
            finish=done,
        )
