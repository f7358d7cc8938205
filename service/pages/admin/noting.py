"""The line of the audit trail for what a page does outside a stored write."""

from __future__ import annotations

from fastapi import Request
from sqlalchemy.orm import Session

from service.access.callers import Caller
from service.store.schema import NAME_LENGTH, AuditEntry


def note(session: Session, request: Request, caller: Caller, record_id: str) -> None:
    """Write down who did it and when; the action is the page's operation."""
    session.add(
        AuditEntry(
            at=request.app.state.clock(),
            by=caller.name,
            action=request.scope["route"].operation_id,
            record_id=record_id[:NAME_LENGTH],
            request_id=request.state.request_id,
        )
    )
