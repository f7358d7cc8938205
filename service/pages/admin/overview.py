"""The first page of the admin's room: what stands open."""

from __future__ import annotations

from fastapi import Request
from sqlalchemy import func, select
from starlette.responses import Response

from models.base.errors import ModelRefused
from service.access.callers import NO_KEYS
from service.access.roles import CurrentCaller
from service.http.dependencies import CurrentStore
from service.pages.forms import page_router
from service.pages.rendering import render
from service.store.schema import ApiKey, Job, OutgoingMessage, Receiver

router = page_router()


@router.get("/admin", operation_id="page_admin")
def show_admin(request: Request, caller: CurrentCaller, store: CurrentStore) -> Response:
    """Show how many keys, jobs and models there are, and what to do about it."""
    now = request.app.state.clock()
    with store.reading() as session:
        standing = (ApiKey.revoked_at.is_(None), (ApiKey.expires_at.is_(None)) | (ApiKey.expires_at > now))
        keys = session.scalar(select(func.count()).select_from(ApiKey).where(*standing))
        counts = session.execute(select(Job.state, func.count().label("many")).group_by(Job.state))
        jobs = {row.state: row.many for row in counts}
        receivers = session.scalar(select(func.count()).select_from(Receiver))
        lost = select(func.count()).select_from(OutgoingMessage).where(OutgoingMessage.state == "given-up")
        given_up = session.scalar(lost)
    try:
        model = request.app.state.models.current().manifest.model_id
        trouble = None
    except ModelRefused as error:
        model, trouble = None, error.args[0]
    return render(
        request,
        "admin/overview.html",
        keyless=caller == NO_KEYS,
        keys=keys,
        jobs=jobs,
        model=model,
        trouble=trouble,
        receivers=receivers,
        given_up=given_up,
    )
