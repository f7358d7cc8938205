"""Pages of the access keys: make one and see it once, revoke one."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from sqlalchemy import select
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from service.access.callers import NO_KEYS, ROLES, Caller
from service.access.keys import make_key, revoke_key
from service.access.roles import CurrentCaller
from service.access.visits import Visit, keep
from service.core.refusals import Conflict
from service.core.translation import _
from service.http.dependencies import CurrentStore
from service.operation.key_routes import NewKey
from service.pages.admin.noting import note
from service.pages.forms import NO_FAULTS, Faults, PageWrite, SentForm, once, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, render
from service.records.writing import Done
from service.store.opening import Store
from service.store.schema import ApiKey

router = page_router()


@router.get("/admin/keys", operation_id="page_keys")
def show_keys(request: Request, store: CurrentStore) -> Response:
    """List the keys, and offer to make one."""
    return _page(request, store, {}, NO_FAULTS)


@router.post("/admin/keys", operation_id="page_make_key")
def make(request: Request, form: SentForm, caller: CurrentCaller, store: CurrentStore) -> Response:
    """Make a key and show it, this once: it is stored nowhere, so the answer is not kept for a repetition either."""
    at = request.app.state.clock()
    try:
        wanted = form.read(NewKey, ("title", "role", "days"))
        with store.writing() as session:
            row, key = make_key(session, wanted.title, wanted.role, wanted.days, at)
            note(session, request, caller, row.id)
    except BadInput as error:
        return _page(request, store, form.values(), Faults(tuple(error.problems)))
    except Conflict as error:
        problem = Problem("role", str(error), _("Choose the role admin."))
        return _page(request, store, form.values(), Faults((problem,)))
    first = caller == NO_KEYS
    if first:
        # From now on every page asks for a key: whoever made the first one is signed in with it.
        request.state.visit = Visit.new(at, row.id)
        request.state.caller = Caller(row.id, wanted.role)
    response = render(request, "admin/fresh_key.html", row=row, key=key, first=first)
    if first:
        keep(response, request, request.state.visit)
    return response


@router.post("/admin/keys/{key_id}/revocation", operation_id="page_revoke_key")
def revoke(request: Request, key_id: str, write: PageWrite) -> Any:
    """Close a key for good."""

    def work(session: Any) -> Done:
        row = revoke_key(session, key_id, write.at)
        said = _("Key %(name)s (%(title)s) opens nothing any more. Make another one if it was the wrong one.")
        response = go_to(request, "/admin/keys", Message(said % {"name": row.id, "title": row.title}))
        return Done(303, record_id=row.id, headers=dict(response.headers))

    return write(work)


def _page(request: Request, store: Store, values: dict[str, str], faults: Faults) -> Response:
    with store.reading() as session:
        rows = session.scalars(select(ApiKey).order_by(ApiKey.created_at.desc(), ApiKey.id)).all()
    roles = [("", _("Choose one")), *((role, role) for role in ROLES)]
    status = 422 if faults else 200
    return render(
        request, "admin/keys.html", status=status, keys=rows, values=values, faults=faults, roles=roles, once=once()
    )
