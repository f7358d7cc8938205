"""The outbox: each thing is put down once for each receiver, and each message is tried until it is taken or given up.

A message is claimed, sent and noted as sent. Whoever is killed between the last two sends it again, under the same
number, by which a receiver drops it: nothing that was put down is lost, and nothing need be acted on twice.
"""

from __future__ import annotations

import ssl
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import islice
from secrets import token_hex
from typing import Any, Final

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service.core.cautions import all_cautions
from service.core.refusals import Conflict
from service.core.settings import Settings
from service.core.translation import _
from service.notices.due import AT_ONCE, Due, Situation
from service.notices.mail import MailServer, send, written
from service.notices.reach import Gone, NotDelivered, Reach
from service.notices.receivers import pause
from service.notices.webhook import call
from service.store.opening import Store
from service.store.schema import Notice, OutgoingMessage, Receiver

WAITS: Final = tuple(
    timedelta(seconds=seconds) for seconds in (60, 300, 1_800, 7_200, 18_000, 36_000, 50_400, 72_000, 86_400)
)
"""Before each further try: about three days in all, after the schedule that Standard Webhooks gives as an example."""

DIGEST_EVERY: Final = timedelta(hours=20)
"""Least time between two digests with nothing grave in them: one a day, at about the same hour. Our choice."""

AT_MOST: Final = 200
"""Things put down for one receiver at one look; others follow with the next. Our choice."""

KEPT: Final = timedelta(days=90)
"""For how long messages are kept that came to an end. Our choice."""


@dataclass(frozen=True)
class Sending:
    """How messages leave.

    Attributes
    ----------
    pages : str
        Address of the pages, or nothing.
    tls : SSLContext, optional
        Of webhooks; by default the certificates that this machine trusts.
    """

    reach: Reach
    mail: MailServer | None
    pages: str = ""
    tls: ssl.SSLContext | None = None


def sending_of(settings: Settings) -> Sending | None:
    """Return how messages leave by the settings; None where they do not."""
    if settings.outgoing == "off":
        return None
    url = settings.mail_server
    mail = MailServer(url.get_secret_value(), settings.mail_from) if url is not None and settings.mail_from else None
    return Sending(Reach(settings.private_networks), mail, settings.address)


def put_down(session: Session, known: Situation, now: datetime, pages: str = "") -> int:
    """Put down what receivers were not told of yet; return how many messages that makes.

    Parameters
    ----------
    pages : str
        Address of the pages, or nothing.
    """
    ended = OutgoingMessage.state != "waiting"
    session.execute(delete(OutgoingMessage).where(ended, OutgoingMessage.created_at < now - KEPT))
    made = 0
    # Locked, so that of two workers that look at once the second sees what the first put down.
    for receiver in session.scalars(select(Receiver).order_by(Receiver.id).with_for_update()):
        if receiver.paused_at is None:
            told = set(session.scalars(select(Notice.key).where(Notice.receiver_id == receiver.id)))
            new = {due.key: due for due in known.for_receiver(receiver) if due.key not in told}
            some = list(islice(new.values(), AT_MOST))
            made += _put_down(session, receiver, some, len(new) - len(some), now, pages)
    return made


def _put_down(session: Session, receiver: Receiver, some: list[Due], more: int, now: datetime, pages: str) -> int:
    if not some:
        return 0
    if receiver.kind == "mail":
        last = session.scalar(select(func.max(Notice.at)).where(Notice.receiver_id == receiver.id))
        if last is not None and last > now - DIGEST_EVERY and not any(due.about in AT_ONCE for due in some):
            return 0  # it is found again at the next look, as long as it is so
        contents = [_digest(some, more, pages)]
    else:
        contents = [_event(due, now, pages) for due in some]
    session.add_all(Notice(receiver_id=receiver.id, key=due.key, at=now) for due in some)
    for content in contents:
        _put(session, receiver, content, now)
    return len(contents)


def put_test(session: Session, receiver: Receiver, now: datetime) -> OutgoingMessage:
    """Put down a message that only says that messages arrive."""
    due = Due("test", "", "Test", "This is a test: messages to this receiver arrive.")
    if receiver.kind == "mail":
        return _put(session, receiver, {**_digest([due], 0, ""), "subject": "Tideover: test"}, now)
    return _put(session, receiver, {**_event(due, now, ""), "type": "test"}, now)


def _put(session: Session, receiver: Receiver, content: Mapping[str, Any], now: datetime) -> OutgoingMessage:
    message = OutgoingMessage(
        receiver_id=receiver.id,
        uid=f"msg_{token_hex(16)}",
        content=dict(content),
        state="waiting",
        attempts=0,
        next_try_at=now,
        created_at=now,
    )
    session.add(message)
    session.flush()
    return message


def _facts(due: Due, pages: str) -> dict[str, Any]:
    page = f"{pages}/bench/units/{due.pack_id}" if pages and due.pack_id else None
    day = None if due.day is None else due.day.isoformat()
    return {
        "about": due.about,
        "title": due.title,
        "text": due.text,
        "pack_id": due.pack_id,
        "vehicle_id": due.vehicle_id,
        "day": day,
        "page": page,
    }


def _event(due: Due, now: datetime, pages: str) -> dict[str, Any]:
    return {
        "type": f"pack.{due.about}" if due.pack_id else f"record.{due.about}",
        "timestamp": now.isoformat(),
        "data": {**_facts(due, pages), "cautions": all_cautions()},
    }


def _digest(some: list[Due], more: int, pages: str) -> dict[str, Any]:
    grave = sum(due.about in AT_ONCE for due in some)
    subject = f"Tideover: {grave} grave, {len(some) - grave} more" if grave else f"Tideover: {len(some)} to look at"
    return {"subject": subject, "notices": [_facts(due, pages) for due in some], "more": more}


def waits(session: Session, now: datetime) -> bool:
    """Tell whether some message is to be tried now."""
    return session.scalar(_to_try(now).limit(1)) is not None


def deliver(
    store: Store,
    sending: Sending,
    clock: Callable[[], datetime],
    *,
    message_id: int | None = None,
    before_each: Callable[[int], None] = lambda _: None,
    tell: Callable[[int, int, str | None], None] = lambda *_: None,
) -> dict[str, int]:
    """Try every message whose time has come, or the one named; return how many were sent, failed and given up.

    Parameters
    ----------
    before_each : callable
        Told how many were tried; may raise to stop.
    tell : callable
        Told of each its number, that of its receiver, and what went wrong.
    """
    counts = {"sent": 0, "failed": 0, "given_up": 0}
    silent: set[int] = set()  # who did not answer need not be waited for once more in this round
    while True:
        before_each(sum(counts.values()))
        with store.writing() as session:
            claimed = _claim(session, clock(), silent, message_id)
        if claimed is None:
            return counts
        message, receiver = claimed
        gone, problem = False, None
        try:
            _send(sending, message, receiver, clock())
        except NotDelivered as error:
            gone, problem = isinstance(error, Gone), str(error)
            silent.add(receiver.id)
        with store.writing() as session:
            state = _note(session, message.id, clock(), problem, gone=gone)
        counts["sent" if state == "sent" else "given_up" if state == "given-up" else "failed"] += 1
        tell(message.id, receiver.id, problem)
        if message_id is not None:
            return counts


def _to_try(now: datetime) -> Any:
    return (
        select(OutgoingMessage)
        .join(Receiver, Receiver.id == OutgoingMessage.receiver_id)
        .where(
            OutgoingMessage.state == "waiting",
            OutgoingMessage.next_try_at <= now,
            Receiver.paused_at.is_(None),
        )
        .order_by(OutgoingMessage.next_try_at, OutgoingMessage.id)
    )


def _claim(
    session: Session, now: datetime, silent: set[int], message_id: int | None
) -> tuple[OutgoingMessage, Receiver] | None:
    """Take a message for as long as it would wait for its next try, so that nobody else sends it meanwhile."""
    query = _to_try(now).where(OutgoingMessage.receiver_id.not_in(silent))
    if message_id is not None:
        query = query.where(OutgoingMessage.id == message_id)
    message = session.scalar(query.limit(1).with_for_update(skip_locked=True, of=OutgoingMessage))
    if message is None:
        return None
    receiver = session.get_one(Receiver, message.receiver_id)
    message.attempts += 1
    message.next_try_at = now + WAITS[min(message.attempts, len(WAITS)) - 1]
    return message, receiver


def _send(sending: Sending, message: OutgoingMessage, receiver: Receiver, now: datetime) -> None:
    if receiver.kind == "mail":
        if sending.mail is None:
            raise NotDelivered("No mail server is set: TIDEOVER_MAIL_SERVER and TIDEOVER_MAIL_FROM name it.")
        send(sending.mail, written(receiver.address, sending.mail.sender, message.uid, message.content, now))
    else:
        secret = receiver.secret or ""
        call(receiver.address, secret, message.uid, message.content, now, sending.reach, sending.tls)


def _note(session: Session, message_id: int, now: datetime, problem: str | None, *, gone: bool) -> str:
    message = session.get(OutgoingMessage, message_id, with_for_update=True)
    if message is None:
        return "sent" if problem is None else "given-up"  # its receiver was removed meanwhile
    message.problem = problem
    if problem is None:
        message.state, message.ended_at = "sent", now
    elif message.attempts > len(WAITS):
        message.state, message.ended_at = "given-up", now
    if gone:
        pause(session.get_one(Receiver, message.receiver_id), now, problem)
    return message.state


def try_again(session: Session, receiver_id: int, now: datetime) -> int:
    """Have what was given up for a receiver tried once more from the start; return how many messages that are."""
    given_up = (OutgoingMessage.receiver_id == receiver_id, OutgoingMessage.state == "given-up")
    rows = session.scalars(select(OutgoingMessage).where(*given_up).with_for_update()).all()
    for row in rows:
        row.state, row.attempts, row.next_try_at, row.ended_at = "waiting", 0, now, None
    return len(rows)


def require_outgoing(settings: Settings) -> Sending:
    """Return how messages leave.

    Raises
    ------
    Conflict
        They do not.
    """
    found = sending_of(settings)
    if found is None:
        raise Conflict(_("Nothing leaves this machine. TIDEOVER_OUTGOING=on allows it, for service and worker."))
    return found
