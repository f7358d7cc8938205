"""Pages of the jobs: start one, see how far it is and what came of it, end it."""

from __future__ import annotations

from typing import Any, Final

from fastapi import HTTPException, Request
from sqlalchemy import select
from starlette.responses import HTMLResponse, Response

from service.core.refusals import NoSuchRecord
from service.core.translation import _
from service.exchange.reports.files import read_report
from service.exchange.reports.routes import ReportName
from service.http.dependencies import CurrentStore
from service.jobs.queue import ENDED, JobKind, cancel, enqueue
from service.jobs.routes import Report, Scoring, SelfCheck, Training
from service.pages.forms import PageWrite, SentForm, once, page_router
from service.pages.messages import Message
from service.pages.middleware import REPORT_POLICY
from service.pages.rendering import go_to, may, render
from service.records.schemas import LARGEST_NUMBER
from service.records.writing import Done
from service.store.schema import Job

SHOWN: Final = 25
FAULTS_SHOWN: Final = 100

STARTS: Final[dict[str, tuple[JobKind, str, dict[str, Any]]]] = {
    "scoring": ("scoring", "start_scoring", Scoring().model_dump(mode="json")),
    "training": ("training", "start_training", Training().model_dump(mode="json")),
    "report": ("report", "start_report", Report().model_dump(mode="json")),
    "self-check": ("self-check", "start_self_check", SelfCheck().model_dump(mode="json")),
}
"""By the word in the form: the kind of job, the operation over REST whose roles count, and its usual arguments."""

router = page_router()


def kind_words() -> dict[str, str]:
    """Return what each kind of job is called."""
    return {
        "training": _("learn from the record"),
        "scoring": _("forecast every pack that is out"),
        "import": _("import files"),
        "report": _("write the calibration report"),
        "self-check": _("look whether forecasts are told as before, and still come true"),
        "notices": _("send notices"),
    }


@router.get("/admin/jobs", operation_id="page_jobs")
def show_jobs(request: Request, store: CurrentStore) -> Response:
    """List the jobs, the newest first, and offer to start one."""
    before = request.query_params.get("before", "")
    query = select(Job).order_by(Job.id.desc()).limit(SHOWN + 1)
    if before.isdecimal():
        query = query.where(Job.id < min(int(before), LARGEST_NUMBER))
    with store.reading() as session:
        rows = session.scalars(query).all()
    following = f"/admin/jobs?before={rows[SHOWN - 1].id}" if len(rows) > SHOWN else ""
    jobs = rows[:SHOWN]
    return render(
        request,
        "admin/jobs.html",
        jobs=jobs,
        following=following,
        first="/admin/jobs" if before else "",
        unfinished=any(job.state not in ENDED for job in jobs),
        kinds=kind_words(),
        starts=[word for word, (_kind, operation, _arguments) in STARTS.items() if may(request, operation)],
        once=once(),
    )


@router.post("/admin/jobs", operation_id="page_start_job")
def start_job(request: Request, form: SentForm, write: PageWrite) -> Any:
    """Put a job into the queue."""
    if form.get("kind") not in STARTS:
        raise HTTPException(404)
    kind, operation, arguments = STARTS[form.get("kind")]
    if not may(request, operation):
        raise HTTPException(403, _("Your role may not start this job."))

    def work(session: Any) -> Done:
        job = enqueue(session, kind, arguments, write.caller.name, write.at)
        response = go_to(request, f"/admin/jobs/{job.id}", Message(_("The job waits for a worker.")))
        return Done(303, record_id=job.id, headers=dict(response.headers))

    return write(work)


@router.get("/admin/jobs/{job_id}", operation_id="page_job")
def show_job(request: Request, job_id: int, store: CurrentStore) -> Response:
    """Show how far a job is, and what came of it: for an import, every bad row."""
    with store.reading() as session:
        job = session.get(Job, job_id) if 0 < job_id <= LARGEST_NUMBER else None
    if job is None:
        raise NoSuchRecord(_("There is no job %(number)s.") % {"number": job_id})
    result = job.result or {}
    faults = result.get("faults", [])
    asked = request.query_params.get("from", "")
    first = min(int(asked), len(faults)) if asked.isdecimal() and len(asked) < 10 else 0
    following = first + FAULTS_SHOWN
    return render(
        request,
        "admin/job.html",
        job=job,
        result=result,
        kinds=kind_words(),
        unfinished=job.state not in ENDED,
        faults=faults[first:following],
        following=f"/admin/jobs/{job_id}?from={following}" if following < len(faults) else "",
        first=f"/admin/jobs/{job_id}" if first else "",
        may_import=may(request, "start_import"),
        once=once(),
    )


@router.get("/admin/reports/{name}", operation_id="page_written_report")
def show_report(request: Request, name: ReportName) -> Response:
    """Show a report that a job has written."""
    text = read_report(request.app.state.settings.reports_dir, name, "html")
    return HTMLResponse(text, headers={"Content-Security-Policy": REPORT_POLICY})


@router.post("/admin/jobs/{job_id}/cancellation", operation_id="page_cancel_job")
def cancel_job(request: Request, job_id: int, write: PageWrite) -> Any:
    """Ask for a job to end."""

    def work(session: Any) -> Done:
        job = cancel(session, job_id, write.at)
        ended = job.state == "cancelled"
        said = _("The job is cancelled.") if ended else _("The job ends at its next step; nothing of it is kept.")
        response = go_to(request, f"/admin/jobs/{job_id}", Message(said))
        return Done(303, record_id=job_id, headers=dict(response.headers))

    return write(work)


@router.post("/admin/jobs/{job_id}/again", operation_id="page_import_again")
def import_again(request: Request, job_id: int, form: SentForm, write: PageWrite) -> Any:
    """Import the same files once more: for good after a dry run, or without the bad rows."""
    keep_good = form.get("keep_good") == "yes"

    def work(session: Any) -> Done:
        before = session.get(Job, job_id)
        if before is None or before.kind != "import":
            raise NoSuchRecord(_("There is no import %(number)s.") % {"number": job_id})
        arguments = {**before.arguments, "dry_run": False, "keep_good": keep_good}
        job = enqueue(session, "import", arguments, write.caller.name, write.at)
        response = go_to(request, f"/admin/jobs/{job.id}", Message(_("The job waits for a worker.")))
        return Done(303, record_id=job.id, headers=dict(response.headers))

    return write(work)
