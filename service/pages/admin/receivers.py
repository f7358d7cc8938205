"""Pages of the receivers of notices: enter one, try it, pause it, remove it, see what did not arrive."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from fastapi import Request
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from service.access.roles import CurrentCaller
from service.core.refusals import Conflict
from service.core.translation import _, ngettext
from service.http.dependencies import CurrentStore
from service.jobs.queue import enqueue
from service.notices.outbox import put_test, require_outgoing, sending_of, try_again
from service.notices.receivers import (
    ABOUT,
    NewReceiver,
    add_receiver,
    kind_of,
    pause,
    receivers,
    remove,
    resume,
    shown_address,
    the_receiver,
    waiting_and_failed,
)
from service.pages.admin.noting import note
from service.pages.forms import NO_FAULTS, Faults, PageWrite, SentForm, once, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, render
from service.records.writing import Done, Writing
from service.store.opening import Store
from service.store.schema import OutgoingMessage, Receiver

FAILED_SHOWN: Final = 25

router = page_router()


def about_words() -> dict[str, str]:
    """Return what a receiver can be told of."""
    return {
        "stop": _("a fact stops a pack, or it is not to be driven"),
        "recheck": _("a pack is to be read again"),
        "order": _("a pack has to be ordered, or is expected"),
        "fault": _("a fault is likely to return"),
        "alarm": _("forecasts no longer come true"),
    }


@router.get("/admin/receivers", operation_id="page_receivers")
def show_receivers(request: Request, store: CurrentStore) -> Response:
    """List the receivers, with what did not arrive, and offer to enter one."""
    return _page(request, store, {f"wants_{about}": "yes" for about in ABOUT}, NO_FAULTS)


@router.post("/admin/receivers", operation_id="page_add_receiver")
def add(request: Request, form: SentForm, caller: CurrentCaller, store: CurrentStore) -> Response:
    """Enter a receiver; the secret of a webhook is shown this once, so the answer is not kept for a repetition."""
    at = request.app.state.clock()
    wants = [about for about in ABOUT if form.get(f"wants_{about}")]
    names = ("title", "address", "days_ahead", "fault_within_days")
    try:
        more: dict[str, Any] = {"kind": kind_of(form.get("address")), "wants": wants}
        if form.get("fault_percent"):
            more["fault_chance"] = _share(form.number_or_text("fault_percent"))
        wanted = form.read(NewReceiver, names, **more)
        with store.writing() as session:
            row = add_receiver(session, wanted, caller.name, at)
            note(session, request, caller, str(row.id))
    except BadInput as error:
        return _page(request, store, form.values(), Faults(tuple(map(_as_in_form, error.problems))))
    except Conflict as error:
        problem = Problem("address", str(error), _("Look at the list above."))
        return _page(request, store, form.values(), Faults((problem,)))
    if row.secret is not None:
        return render(request, "admin/fresh_secret.html", row=row, address=shown_address(row))
    said = _("%(title)s is entered. Send a test to see whether it arrives.") % {"title": row.title}
    return go_to(request, "/admin/receivers", Message(said))


def _share(percent: str) -> float | str:
    try:
        return float(percent) / 100
    except ValueError:
        return percent


def _as_in_form(problem: Problem) -> Problem:
    if problem.where == "fault_chance":
        return Problem("fault_percent", _("That is not a chance in per cent."), _("Give 1 to 99."))
    if problem.where == "wants":
        return Problem("wants_stop", _("Nothing is chosen."), _("Choose at least one thing to be told of."))
    return problem


@router.post("/admin/receivers/{receiver_id}/test", operation_id="page_test_receiver")
def send_test(request: Request, receiver_id: int, write: PageWrite) -> Any:
    """Have a worker send a test message."""
    require_outgoing(request.app.state.settings)

    def work(session: Session, row: Receiver) -> str:
        put_test(session, row, write.at)
        enqueue(session, "notices", {}, write.caller.name, write.at)
        said = _("A test to %(title)s waits for the worker. What does not arrive is listed below.")
        return said % {"title": row.title}

    return _changed(request, receiver_id, write, work)


@router.post("/admin/receivers/{receiver_id}/pause", operation_id="page_pause_receiver")
def pause_receiver(request: Request, receiver_id: int, write: PageWrite) -> Any:
    """Send it nothing more until it is resumed."""

    def work(_session: Session, row: Receiver) -> str:
        pause(row, write.at)
        return _("%(title)s is paused. What waits for it goes on waiting.") % {"title": row.title}

    return _changed(request, receiver_id, write, work)


@router.post("/admin/receivers/{receiver_id}/resumption", operation_id="page_resume_receiver")
def resume_receiver(request: Request, receiver_id: int, write: PageWrite) -> Any:
    """Let it be told again."""

    def work(session: Session, row: Receiver) -> str:
        resume(session, row, write.at)
        return _("%(title)s gets notices again.") % {"title": row.title}

    return _changed(request, receiver_id, write, work)


@router.post("/admin/receivers/{receiver_id}/retry", operation_id="page_retry_receiver")
def retry(request: Request, receiver_id: int, write: PageWrite) -> Any:
    """Have what was given up tried once more."""
    require_outgoing(request.app.state.settings)

    def work(session: Session, row: Receiver) -> str:
        many = try_again(session, row.id, write.at)
        if many:
            enqueue(session, "notices", {}, write.caller.name, write.at)
        return ngettext("One message is tried again.", "%(num)s messages are tried again.", many) % {"num": many}

    return _changed(request, receiver_id, write, work)


@router.post("/admin/receivers/{receiver_id}/removal", operation_id="page_remove_receiver")
def remove_receiver(request: Request, receiver_id: int, write: PageWrite) -> Any:
    """Forget it, its secret and what waits for it."""

    def work(session: Session, row: Receiver) -> str:
        remove(session, row)
        said = _("%(title)s gets no more notices. Enter it again if that was the wrong one.")
        return said % {"title": row.title}

    return _changed(request, receiver_id, write, work)


def _changed(request: Request, receiver_id: int, write: Writing, work: Callable[[Session, Receiver], str]) -> Response:
    def change(session: Session) -> Done:
        said = work(session, the_receiver(session, receiver_id))
        response = go_to(request, "/admin/receivers", Message(said))
        return Done(303, record_id=receiver_id, headers=dict(response.headers))

    return write(change)


def _page(request: Request, store: Store, values: dict[str, str], faults: Faults) -> Response:
    with store.reading() as session:
        rows = receivers(session)
        counts = waiting_and_failed(session)
        failed = session.scalars(
            select(OutgoingMessage)
            .where(OutgoingMessage.state != "sent", OutgoingMessage.problem.is_not(None))
            .order_by(OutgoingMessage.id.desc())
            .limit(FAILED_SHOWN)
        ).all()
    sending = sending_of(request.app.state.settings)
    return render(
        request,
        "admin/receivers.html",
        status=422 if faults else 200,
        rows=[(row, shown_address(row), *counts.get(row.id, (0, 0))) for row in rows],
        titles={row.id: row.title for row in rows},
        failed=failed,
        outgoing=sending is not None,
        mail=sending is not None and sending.mail is not None,
        about=about_words(),
        values=values,
        faults=faults,
        once=once(),
    )
