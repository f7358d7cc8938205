"""Jobs over REST: start one, follow it, cancel it."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Body, Depends, Path, Query
from pydantic import BaseModel, ConfigDict, Field, create_model
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE, Truth
from service.core.refusals import NoSuchRecord
from service.core.translation import _
from service.forecasting.model.training import DEFAULT_PACKS
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore
from service.http.etags import LOCATED
from service.http.problems import ProblemPart, problem_responses
from service.jobs.queue import JobKind, cancel, enqueue
from service.records.listing import list_page
from service.records.schemas import LARGEST_NUMBER, Name
from service.records.writing import Done, Write
from service.store.schema import Job

StateName = Literal["queued", "running", "done", "failed", "cancelled"]


class Training(BaseModel):
    """Let the current model learn from everything in the store."""

    model_config = ConfigDict(extra="forbid")

    packs: Annotated[int, Field(ge=100, le=1_000_000), NO_TRUTH_VALUE] = Field(
        DEFAULT_PACKS, description="Packs to simulate where there is no model yet to learn further from."
    )

    seed: Annotated[int, Field(ge=0, le=2**31 - 1), NO_TRUTH_VALUE] = Field(
        0, description="Same seed, same record: same model."
    )


class Scoring(BaseModel):
    """Issue a forecast for every pack that is out on a top-up."""

    model_config = ConfigDict(extra="forbid")


class Import(BaseModel):
    """Import a file or folder that lies in the inbox, a folder in the home of the service."""

    model_config = ConfigDict(extra="forbid")

    name: Name = Field(description="Of the file or folder.", examples=["march-2026"])
    mapping: Name | None = Field(None, description="Name of a mapping (TOML) in the inbox, for a logger's file.")
    dry_run: Truth = Field(False, description="Check everything and list every fault; store nothing.")
    keep_good: Truth = Field(False, description="Store the good rows even if others are bad.")
    keep_logs: Truth = Field(False, description="Keep drive logs raw, beside the readings that tell of them.")


class Report(BaseModel):
    """Write the calibration report, with what people were told, as it stands now."""

    model_config = ConfigDict(extra="forbid")


class SelfCheck(BaseModel):
    """Forecast frozen cases again, and look at the alarm of the live record and at drift."""

    model_config = ConfigDict(extra="forbid")


class JobState(BaseModel):
    """A job: how far it is and what came of it."""

    id: int
    kind: JobKind
    arguments: dict[str, Any]
    state: StateName
    steps_done: int
    steps_total: int | None = Field(description="Null where it is not known.")
    doing: str | None
    attempts: int
    cancel_asked: bool
    created_at: datetime
    created_by: str
    started_at: datetime | None
    ended_at: datetime | None
    result: dict[str, Any] | None
    problems: list[ProblemPart] | None


class JobPage(BaseModel):
    """Some of the jobs, the oldest first."""

    items: list[JobState]
    next_cursor: str | None


JobNumber = Annotated[int, Path(ge=1, le=LARGEST_NUMBER)]


def state_of(job: Job) -> JobState:
    """Return a row as the schema of a job."""
    return JobState.model_validate({name: getattr(job, name) for name in JobState.model_fields})


def jobs_router(max_page: int) -> APIRouter:
    """Build the routes; `max_page` is the most jobs that one page may be asked for."""
    router = APIRouter(prefix="/v1/jobs", tags=["jobs"])
    starting: dict[str, Any] = {
        "status_code": 202,
        "response_model": JobState,
        "dependencies": [Depends(require_json)],
        "responses": {202: {"headers": LOCATED}, **problem_responses(400, 413, 415, 422, 503)},
    }

    def start(write: Write, kind: JobKind, arguments: BaseModel) -> Response:
        def work(session: Session) -> Done:
            job = enqueue(session, kind, arguments.model_dump(mode="json"), write.caller.name, write.at)
            return Done(202, state_of(job), job.id, {"Location": f"/v1/jobs/{job.id}"})

        return write(work)

    @router.post("/training", operation_id="start_training", **starting)
    def start_training(wanted: Annotated[Training, Body(examples=[{"seed": 0}])], write: Write) -> Response:
        """Have a worker let the model learn from the store's record. What it learned answers only if it is no worse."""
        return start(write, "training", wanted)

    @router.post("/scoring", operation_id="start_scoring", **starting)
    def start_scoring(wanted: Annotated[Scoring, Body(examples=[{}])], write: Write) -> Response:
        """Have a worker issue a forecast for every pack that is out on a top-up."""
        return start(write, "scoring", wanted)

    @router.post("/imports", operation_id="start_import", **starting)
    def start_import(wanted: Annotated[Import, Body(examples=[{"name": "march-2026"}])], write: Write) -> Response:
        """Have a worker import a file or folder from the inbox."""
        return start(write, "import", wanted)

    @router.post("/reports", operation_id="start_report", **starting)
    def start_report(wanted: Annotated[Report, Body(examples=[{}])], write: Write) -> Response:
        """Have a worker write the calibration report; its name is then in the job's result."""
        return start(write, "report", wanted)

    @router.post("/self-checks", operation_id="start_self_check", **starting)
    def start_self_check(wanted: Annotated[SelfCheck, Body(examples=[{}])], write: Write) -> Response:
        """Have a worker look whether frozen cases are still forecast as at first, and whether forecasts come true."""
        return start(write, "self-check", wanted)

    def list_jobs(query: Any, store: CurrentStore) -> JobPage:
        """List the jobs, a page at a time."""
        conditions = [
            *([Job.state == query.state] if query.state else []),
            *([Job.created_at >= query.since] if query.since else []),
            *([Job.created_at < query.before] if query.before else []),
        ]
        with store.reading() as session:
            rows, cursor = list_page(session, Job, conditions, query.limit, query.cursor)
            return JobPage(items=[state_of(row) for row in rows], next_cursor=cursor)

    list_jobs.__annotations__["query"] = Annotated[_query(max_page), Query()]
    router.add_api_route("", list_jobs, operation_id="list_jobs", responses=problem_responses(422, 503))

    # Of numbers alone: every other name here is that of a kind, which takes POST and nothing else.
    @router.get("/{job_id:int}", operation_id="read_job", responses=problem_responses(404, 422, 503))
    def read_job(job_id: JobNumber, store: CurrentStore) -> JobState:
        """Read how far a job is and what came of it."""
        with store.reading() as session:
            job = session.get(Job, job_id)
            if job is None:
                raise NoSuchRecord(_("There is no job %(number)s.") % {"number": job_id})
            return state_of(job)

    @router.post(
        "/{job_id}/cancellation",
        operation_id="cancel_job",
        status_code=202,
        response_model=JobState,
        responses=problem_responses(404, 409, 413, 422, 503),
    )
    def cancel_job(job_id: JobNumber, write: Write) -> Response:
        """Ask for a job to end: at once if it waits, at its next step if it runs."""

        def work(session: Session) -> Done:
            return Done(202, state_of(cancel(session, job_id, write.at)), job_id)

        return write(work)

    return router


def _query(max_page: int) -> type[BaseModel]:
    optional_state: Any = StateName | None
    return create_model(
        "JobQuery",
        __config__=ConfigDict(extra="forbid"),
        limit=(int, Field(min(100, max_page), ge=1, le=max_page, description="Jobs on a page.")),
        cursor=(str | None, Field(None, max_length=200, description="`next_cursor` of the page before.")),
        state=(optional_state, Field(None, description="Only those in this state.")),
        since=(Moment | None, Field(None, description="Only those started at or after this.")),
        before=(Moment | None, Field(None, description="Only those started before this.")),
    )
