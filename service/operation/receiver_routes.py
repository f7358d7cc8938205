"""Receivers of notices over REST: enter one, try it, pause it, remove it, see what did not arrive."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Path, Query, Request
from pydantic import BaseModel, ConfigDict, Field, create_model
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore
from service.http.etags import LOCATED
from service.http.problems import problem_responses
from service.jobs.queue import enqueue
from service.notices.outbox import put_test, require_outgoing, try_again
from service.notices.receivers import (
    About,
    NewReceiver,
    ReceiverKind,
    add_receiver,
    pause,
    receivers,
    remove,
    resume,
    shown_address,
    the_receiver,
    waiting_and_failed,
)
from service.records.listing import list_page
from service.records.schemas import LARGEST_NUMBER
from service.records.writing import Done, Write
from service.store.schema import OutgoingMessage, Receiver

EXAMPLES = {
    "mail": {
        "summary": "A digest by mail",
        "value": {"kind": "mail", "title": "parts counter", "address": "parts@workshop.example", "wants": ["order"]},
    },
    "webhook": {
        "summary": "A program",
        "value": {"kind": "webhook", "title": "fleet office", "address": "https://programs.example/notices"},
    },
}


class ReceiverFacts(BaseModel):
    """A receiver, without its secret."""

    id: int
    kind: ReceiverKind
    title: str
    address: str = Field(description="Of a web address scheme and host: what follows may be a secret.")
    wants: list[About]
    days_ahead: int
    fault_within_days: int
    fault_chance: float
    created_at: datetime
    created_by: str
    paused_at: datetime | None = Field(description="Since when nothing is sent; null if it is.")
    paused_why: str | None
    waiting: int = Field(description="Messages that wait to be sent.")
    failed: int = Field(description="Messages that were given up.")


class FreshReceiver(ReceiverFacts):
    """A receiver that was just entered."""

    secret: str | None = Field(
        description="What a webhook is signed with, after Standard Webhooks. It is shown this once; null for mail."
    )


class ReceiverList(BaseModel):
    """Every receiver, the oldest first."""

    items: list[ReceiverFacts]


class MessageState(BaseModel):
    """A message to a receiver: whether it arrived."""

    id: int
    uid: str = Field(description="Its `webhook-id`, or the first part of its Message-ID.")
    state: str = Field(description="`waiting`, `sent` or `given-up`.")
    attempts: int
    created_at: datetime
    next_try_at: datetime
    ended_at: datetime | None
    problem: str | None = Field(description="Why the last try failed.")


class MessagePage(BaseModel):
    """Some messages to a receiver, the oldest first."""

    items: list[MessageState]
    next_cursor: str | None


class TriedAgain(BaseModel):
    """How many messages are tried once more."""

    messages: int


ReceiverNumber = Annotated[int, Path(ge=1, le=LARGEST_NUMBER)]


def facts_of(session: Session, row: Receiver) -> dict[str, Any]:
    """Return a receiver as it may be shown."""
    waits, failed = waiting_and_failed(session).get(row.id, (0, 0))
    more = {"address": shown_address(row), "waiting": waits, "failed": failed}
    return {name: getattr(row, name) for name in ReceiverFacts.model_fields if name not in more} | more


def _state_of(row: OutgoingMessage) -> MessageState:
    return MessageState.model_validate({name: getattr(row, name) for name in MessageState.model_fields})


def receivers_router(max_page: int) -> APIRouter:
    """Build the routes; `max_page` is the most messages that one page may be asked for."""
    router = APIRouter(prefix="/v1/receivers", tags=["receivers of notices"])

    @router.post(
        "",
        operation_id="add_receiver",
        response_model=FreshReceiver,
        status_code=201,
        dependencies=[Depends(require_json)],
        responses=problem_responses(400, 409, 413, 415, 422, 503),
    )
    def add(wanted: Annotated[NewReceiver, Body(openapi_examples=EXAMPLES)], write: Write) -> Response:
        """Enter a receiver of notices. Nothing is sent unless the service and its worker may (`TIDEOVER_OUTGOING`)."""
        if write.key is not None:
            raise BadInput.one(
                "header.Idempotency-Key",
                "An answer with a secret in it is not kept, so it cannot be repeated.",
                "Leave the header out; remove a receiver whose answer got lost.",
            )

        def work(session: Session) -> Done:
            row = add_receiver(session, wanted, write.caller.name, write.at)
            body = FreshReceiver.model_validate(facts_of(session, row) | {"secret": row.secret})
            return Done(201, body, row.id, {"Cache-Control": "no-store"})

        return write(work)

    @router.get("", operation_id="list_receivers", responses=problem_responses(503))
    def list_receivers(store: CurrentStore) -> ReceiverList:
        """List the receivers of notices: what each wants, what waits for it, what did not arrive."""
        with store.reading() as session:
            return ReceiverList(
                items=[ReceiverFacts.model_validate(facts_of(session, row)) for row in receivers(session)]
            )

    changing: dict[str, Any] = {
        "response_model": ReceiverFacts,
        "responses": problem_responses(404, 409, 413, 422, 503),
    }

    def changed(receiver_id: int, write: Write, change: Callable[[Session, Receiver], None]) -> Response:
        def work(session: Session) -> Done:
            row = the_receiver(session, receiver_id)
            change(session, row)
            session.flush()
            return Done(200, ReceiverFacts.model_validate(facts_of(session, row)), receiver_id)

        return write(work)

    @router.delete("/{receiver_id}", operation_id="remove_receiver", **changing)
    def remove_receiver(receiver_id: ReceiverNumber, write: Write) -> Response:
        """Forget a receiver of notices, its secret and what waits for it."""

        def work(session: Session) -> Done:
            row = the_receiver(session, receiver_id)
            body = ReceiverFacts.model_validate(facts_of(session, row))
            remove(session, row)
            return Done(200, body, receiver_id)

        return write(work)

    @router.post("/{receiver_id}/pause", operation_id="pause_receiver", **changing)
    def pause_receiver(receiver_id: ReceiverNumber, write: Write) -> Response:
        """Send a receiver nothing until it is resumed; what waits for it goes on waiting."""
        return changed(receiver_id, write, lambda _session, row: pause(row, write.at))

    @router.post("/{receiver_id}/resumption", operation_id="resume_receiver", **changing)
    def resume_receiver(receiver_id: ReceiverNumber, write: Write) -> Response:
        """Let a paused receiver be told again; what waited for it is tried at once."""
        return changed(receiver_id, write, lambda session, row: resume(session, row, write.at))

    @router.post(
        "/{receiver_id}/test",
        operation_id="test_receiver",
        status_code=202,
        response_model=MessageState,
        responses={202: {"headers": LOCATED}, **problem_responses(404, 409, 413, 422, 503)},
    )
    def test_receiver(request: Request, receiver_id: ReceiverNumber, write: Write) -> Response:
        """Have a worker send a receiver a test message; whether it arrived stands among its messages."""
        require_outgoing(request.app.state.settings)

        def work(session: Session) -> Done:
            message = put_test(session, the_receiver(session, receiver_id), write.at)
            enqueue(session, "notices", {}, write.caller.name, write.at)
            at = f"/v1/receivers/{receiver_id}/messages"
            return Done(202, _state_of(message), message.id, {"Location": at})

        return write(work)

    @router.post(
        "/{receiver_id}/retry",
        operation_id="retry_receiver",
        status_code=202,
        response_model=TriedAgain,
        responses=problem_responses(404, 409, 413, 422, 503),
    )
    def retry_receiver(request: Request, receiver_id: ReceiverNumber, write: Write) -> Response:
        """Have what was given up for a receiver tried once more."""
        require_outgoing(request.app.state.settings)

        def work(session: Session) -> Done:
            many = try_again(session, the_receiver(session, receiver_id).id, write.at)
            if many:
                enqueue(session, "notices", {}, write.caller.name, write.at)
            return Done(202, TriedAgain(messages=many), receiver_id)

        return write(work)

    def list_messages(receiver_id: ReceiverNumber, query: Any, store: CurrentStore) -> MessagePage:
        """List the messages to a receiver, a page at a time: when tried, whether it arrived, why not."""
        with store.reading() as session:
            the_receiver(session, receiver_id, to_change=False)
            of = [OutgoingMessage.receiver_id == receiver_id]
            rows, cursor = list_page(session, OutgoingMessage, of, query.limit, query.cursor)
            return MessagePage(items=[_state_of(row) for row in rows], next_cursor=cursor)

    query_type = create_model(
        "MessageQuery",
        __config__=ConfigDict(extra="forbid"),
        limit=(int, Field(min(100, max_page), ge=1, le=max_page, description="Messages on a page.")),
        cursor=(str | None, Field(None, max_length=200, description="`next_cursor` of the page before.")),
    )
    list_messages.__annotations__["query"] = Annotated[query_type, Query()]
    router.add_api_route(
        "/{receiver_id}/messages",
        list_messages,
        operation_id="list_messages",
        responses=problem_responses(404, 422, 503),
    )
    return router
