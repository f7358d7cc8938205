"""A write over REST: its change, its line in the audit trail and its stored answer, all in one transaction."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Annotated, Final

from fastapi import Depends, Header, Request
from pydantic import BaseModel
from sqlalchemy import delete
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput
from service.access.callers import Caller
from service.records.versions import Writer
from service.store.opening import Store
from service.store.schema import AuditEntry, StoredAnswer

ANSWERS_KEPT: Final = timedelta(hours=24)
"""For how long the answer to an Idempotency-Key is kept."""


@dataclass(frozen=True)
class Done:
    """What came of a write.

    Attributes
    ----------
    record_id : int or str or None
        For the audit trail.
    """

    status: int
    body: BaseModel | None = None
    record_id: int | str | None = None
    headers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Writing:
    """One write about to happen. Call it with the work to do.

    Attributes
    ----------
    action : str
        The route's operation id, for the audit trail.
    key : str or None
        ``Idempotency-Key``.
    digest : str
        Of method, address and body: what must be the same under the same key.
    sure : str
        As for `Writer`.
    """

    store: Store
    caller: Caller
    at: datetime
    action: str
    request_id: str
    key: str | None
    digest: str
    sure: str = ""

    @property
    def writer(self) -> Writer:
        """Who writes, and when."""
        return Writer(self.caller.name, self.at, self.sure)

    def __call__(self, work: Callable[[Session], Done]) -> Response:
        """Do the work once and answer; under a key that was used before, give the answer it got then.

        Raises
        ------
        BadInput
            The key was used for another request.
        """
        try:
            return self._once(work)
        except IntegrityError:
            # Somebody else stored the same thing between our look and our write. Looking again finds it.
            return self._once(work)

    def earlier_answer(self) -> Response | None:
        """Return the answer that the key got before, if any, so that costly work need not be done again."""
        with self.store.reading() as session:
            return self._replay(session)

    def _once(self, work: Callable[[Session], Done]) -> Response:
        with self.store.writing() as session:
            if (before := self._replay(session)) is not None:
                return before
            kept = self._claim(session)
            done = work(session)
            body = "" if done.body is None else done.body.model_dump_json(warnings=False)
            record_id = None if done.record_id is None else str(done.record_id)
            session.add(
                AuditEntry(
                    at=self.at,
                    by=self.caller.name,
                    action=self.action,
                    record_id=record_id,
                    request_id=self.request_id,
                )
            )
            if kept is not None:
                kept.status, kept.headers, kept.body = done.status, dict(done.headers), body
        return _response(done.status, done.headers, body)

    def _claim(self, session: Session) -> StoredAnswer | None:
        """Store the key first: of two requests at once, the second then waits for the first and gets its answer."""
        if self.key is None:
            return None
        session.execute(delete(StoredAnswer).where(StoredAnswer.at < self.at - ANSWERS_KEPT))
        kept = StoredAnswer(
            caller=self.caller.name, key=self.key, request_digest=self.digest, at=self.at, status=0, headers={}, body=""
        )
        session.add(kept)
        session.flush()
        return kept

    def _replay(self, session: Session) -> Response | None:
        if self.key is None:
            return None
        kept = session.get(StoredAnswer, (self.caller.name, self.key))
        if kept is None or kept.at < self.at - ANSWERS_KEPT:
            return None
        if kept.request_digest != self.digest:
            raise BadInput.one(
                "header.Idempotency-Key",
                "This key was used for another request.",
                "Choose a new key for every new write, and repeat a request unchanged.",
            )
        return _response(kept.status, {**kept.headers, "Idempotency-Replayed": "true"}, kept.body)


def _response(status: int, headers: Mapping[str, str], body: str) -> Response:
    return Response(body or None, status, dict(headers), "application/json" if body else None)


async def _digest(request: Request) -> str:
    scope = request.scope
    digest = hashlib.sha256(f"{scope['method']} {scope['path']}?".encode() + scope["query_string"] + b"\n")
    digest.update(await request.body())
    return digest.hexdigest()


IdempotencyKey = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        min_length=1,
        max_length=128,
        pattern=r"^[\x21-\x7e]+$",
        description="A key of your own for this write: sent again within 24 hours, it gets the same answer and "
        "nothing is stored twice.",
    ),
]


Sure = Annotated[
    str | None,
    Header(
        max_length=400,
        pattern=r"^[0-9a-f* ]*$",
        description="What looks like a slip is asked about: status 409 with `sure`. Sent back here, it says that it is "
        "right; `*` says so beforehand of whatever may be asked.",
    ),
]


def _writing(
    request: Request, digest: Annotated[str, Depends(_digest)], key: IdempotencyKey = None, sure: Sure = None
) -> Writing:
    return Writing(
        store=request.app.state.store,
        caller=request.state.caller,
        at=request.app.state.clock(),
        action=request.scope["route"].operation_id,
        request_id=request.state.request_id,
        key=key,
        digest=digest,
        sure=sure or "",
    )


Write = Annotated[Writing, Depends(_writing)]
