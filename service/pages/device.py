"""Signing in at the bench by a code on a screen in the office: good once, and for two minutes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import HTTPException, Path, Request
from starlette.responses import Response

from service.access.callers import NO_KEYS, Caller
from service.access.codes import LASTS, code_digest, key_behind, make_code, use_code
from service.access.hosts import reached_by
from service.access.roles import CurrentCaller
from service.access.visits import Visit, keep
from service.core.refusals import Conflict
from service.core.translation import _
from service.http.dependencies import CurrentStore
from service.pages.admin.noting import note
from service.pages.codes import code_of
from service.pages.forms import SentForm, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, render
from service.store.schema import ApiKey

router = page_router()

Secret = Annotated[str, Path(max_length=100)]


@router.post("/device", operation_id="page_show_code")
def show_code(request: Request, form: SentForm, caller: CurrentCaller, store: CurrentStore) -> Response:
    """Show a code for one's own key, or, to an administrator, for any that is in use."""
    if caller == NO_KEYS:
        raise Conflict(_("Nobody has to sign in here as long as there is no access key."))
    key_id = form.get("key") or caller.name
    if key_id != caller.name and caller.role != "admin":
        raise HTTPException(403, _("Only the role admin may show a code for somebody else's key."))
    now = request.app.state.clock()
    with store.writing() as session:
        row, secret = make_code(session, key_id, now)
        note(session, request, caller, row.id)
    reached = reached_by(request)
    return render(
        request,
        "code.html",
        title=row.title,
        role=row.role,
        code=code_of(f"{reached.base}/sign-in/code/{secret}"),
        doubt=reached.doubt,
        until=now + LASTS,
    )


@router.get("/sign-in/code/{secret}", operation_id="page_code")
def look_at_code(secret: Secret, request: Request, store: CurrentStore) -> Response:
    """Ask whether to sign in by a code: looking at it, as programs that preview links do, does not use it up."""
    now = request.app.state.clock()
    with store.reading() as session:
        row = _known(request, lambda: key_behind(session, secret, now), secret)
    return _page(request, row)


@router.post("/sign-in/code/{secret}", operation_id="page_code_used")
def sign_in_by_code(secret: Secret, request: Request, _form: SentForm, store: CurrentStore) -> Response:
    """Begin a visit by a code."""
    now = request.app.state.clock()
    with store.writing() as session:
        row = _known(request, lambda: use_code(session, secret, now), secret)
        if row is not None:
            note(session, request, Caller(row.id, row.role), row.id)  # type: ignore[arg-type]
    if row is None:
        return _page(request, None)
    said = _("You are signed in on this device as “%(title)s”, with the role %(role)s.")
    response = go_to(request, "/", Message(said % {"title": row.title, "role": row.role}))
    keep(response, request, Visit.new(now, row.id))
    return response


def _known(request: Request, look: Callable[[], ApiKey | None], secret: str) -> ApiKey | None:
    """Look for a key behind a code; whoever tries many from one address has to wait, as with keys."""
    found: list[ApiKey] = []

    def caller() -> Caller | str:
        row = look()
        if row is None:
            return "This code is not known."
        found.append(row)
        return Caller(row.id, row.role)  # type: ignore[arg-type]

    request.app.state.wrong_keys.checked(code_digest(secret), request, caller)
    return found[0] if found else None


def _page(request: Request, row: ApiKey | None) -> Response:
    return render(request, "sign_in_by_code.html", status=404 if row is None else 200, row=row)
