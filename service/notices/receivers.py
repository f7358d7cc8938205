"""Receivers of notices: entered, paused and removed by an administrator."""

from __future__ import annotations

import base64
import secrets
from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Final, Literal, get_args
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from models.base.errors import wrong
from models.base.numbers import NO_TRUTH_VALUE
from service.core.refusals import Conflict, NoSuchRecord
from service.core.settings import MAIL_ADDRESS
from service.core.translation import _
from service.records.schemas import LARGEST_NUMBER, Line
from service.store.schema import Notice, OutgoingMessage, Receiver

ReceiverKind = Literal["mail", "webhook"]
About = Literal["stop", "recheck", "order", "fault", "alarm"]
ABOUT: Final[tuple[About, ...]] = get_args(About)
MOST_RECEIVERS: Final = 20
LONGEST_MAIL_ADDRESS: Final = 254
"""RFC 5321, 4.5.3.1.3: a path of 256 octets with its two brackets."""

SECRET_BYTES: Final = 32
SECRET_PREFIX: Final = "whsec_"  # noqa: S105  what Standard Webhooks begins a secret with


class NewReceiver(BaseModel):
    """Somebody, or a program, to be told."""

    model_config = ConfigDict(extra="forbid")

    kind: ReceiverKind = Field(description="`mail` sends one digest a day, `webhook` one signed request for each.")
    title: Line = Field(description="Whose it is, in a word or two.", examples=["parts counter"])
    address: Annotated[str, Field(max_length=500)] = Field(
        description="A mail address, or an https address.", examples=["parts@workshop.example"]
    )
    wants: list[About] = Field(
        list(ABOUT),
        min_length=1,
        max_length=len(ABOUT),
        description="`stop`: a fact stops a pack, or it is not to be driven; `recheck`: to be read again; `order`: its "
        "pack has to be ordered; `fault`: it is likely to return; `alarm`: forecasts no longer come true.",
    )
    days_ahead: Annotated[int, Field(ge=0, le=30), NO_TRUTH_VALUE] = Field(
        1, description="Days before a recheck or order day at which it is told."
    )
    fault_within_days: Annotated[int, Field(ge=1, le=60), NO_TRUTH_VALUE] = Field(
        7, description="Days within which a fault is to be told that is likely to return."
    )
    fault_chance: Annotated[float, Field(ge=0.01, le=0.99), NO_TRUTH_VALUE] = Field(
        0.5, description="Chance from which on that counts as likely; 0.5: rather than not."
    )

    @field_validator("address")
    @classmethod
    def _of_its_kind(cls, address: str, info: ValidationInfo) -> str:
        if info.data.get("kind") == "mail":
            if not MAIL_ADDRESS.match(address) or len(address) > LONGEST_MAIL_ADDRESS:
                raise wrong("This is not a mail address.", "Give one as parts@workshop.example.")
        elif info.data.get("kind") == "webhook":
            _require_web_address(address)
        return address


def kind_of(address: str) -> ReceiverKind:
    """Tell what kind of receiver an address is of, by whether it names a scheme."""
    return "webhook" if "://" in address else "mail"


def _require_web_address(address: str) -> None:
    mend = "Give one as https://programs.example/notices, without a name or password in it."
    try:
        found = urlsplit(address)
        whole = found.scheme in ("https", "http") and found.hostname and found.port != 0 and address.isascii()
    except ValueError:
        whole = False
    # What stands for itself in an address; a blank or a line break would become part of the request's head.
    if not whole or not all(33 <= ord(sign) < 127 for sign in address) or "\\" in address:
        raise wrong("This is not a web address.", mend)
    if found.username is not None or found.password is not None or found.fragment:
        raise wrong("It holds a name, a password or a fragment.", mend)


def shown_address(receiver: Receiver) -> str:
    """Return an address as it may be shown: what follows the host of a web address is often a secret."""
    if receiver.kind == "mail":
        return receiver.address
    found = urlsplit(receiver.address)
    more = found.path not in ("", "/") or found.query
    return f"{found.scheme}://{found.netloc}/{'…' if more else ''}"


def add_receiver(session: Session, wanted: NewReceiver, by: str, now: datetime) -> Receiver:
    """Enter a receiver; its secret, if it has one, is to be shown now and never again.

    Raises
    ------
    Conflict
        It is entered already, or there are as many as there may be.
    """
    entered = session.scalars(select(Receiver).with_for_update()).all()
    if any(one.address == wanted.address for one in entered):
        raise Conflict(_("This address is entered already."))
    if len(entered) >= MOST_RECEIVERS:
        raise Conflict(_("There are %(most)s receivers already. Remove one first.") % {"most": MOST_RECEIVERS})
    values: dict[str, Any] = wanted.model_dump()
    values["wants"] = [about for about in ABOUT if about in wanted.wants]
    row = Receiver(**values, created_at=now, created_by=by)
    if wanted.kind == "webhook":
        row.secret = SECRET_PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()
    session.add(row)
    session.flush()
    return row


def receivers(session: Session) -> Sequence[Receiver]:
    """Return all receivers in the order in which they were entered."""
    return session.scalars(select(Receiver).order_by(Receiver.id)).all()


def the_receiver(session: Session, receiver_id: int, *, to_change: bool = True) -> Receiver:
    """Return a receiver; nobody else changes it meanwhile, unless it is only looked at.

    Raises
    ------
    NoSuchRecord
    """
    known = 0 < receiver_id <= LARGEST_NUMBER
    row = session.get(Receiver, receiver_id, with_for_update=to_change) if known else None
    if row is None:
        raise NoSuchRecord(_("There is no receiver %(number)s.") % {"number": receiver_id})
    return row


def pause(receiver: Receiver, now: datetime, why: str | None = None) -> None:
    """Send a receiver nothing more until it is resumed; what waits for it goes on waiting."""
    if receiver.paused_at is None:
        receiver.paused_at, receiver.paused_why = now, why


def resume(session: Session, receiver: Receiver, now: datetime) -> None:
    """Let a receiver be told again; what waited for it is tried at once."""
    receiver.paused_at = receiver.paused_why = None
    waiting = (OutgoingMessage.receiver_id == receiver.id, OutgoingMessage.state == "waiting")
    for message in session.scalars(select(OutgoingMessage).where(*waiting).with_for_update()):
        message.next_try_at = now


def remove(session: Session, receiver: Receiver) -> None:
    """Forget a receiver, its secret, what it was told of and what waits for it."""
    for table in (Notice, OutgoingMessage):
        session.execute(delete(table).where(table.receiver_id == receiver.id))
    session.delete(receiver)
    session.flush()


def waiting_and_failed(session: Session) -> dict[int, tuple[int, int]]:
    """Return by receiver how many messages wait for it, and how many were given up."""
    query = select(OutgoingMessage.receiver_id, OutgoingMessage.state, func.count().label("many"))
    found: dict[int, tuple[int, int]] = {}
    for row in session.execute(query.group_by(OutgoingMessage.receiver_id, OutgoingMessage.state)):
        waits, failed = found.get(row.receiver_id, (0, 0))
        found[row.receiver_id] = (
            waits + row.many * (row.state == "waiting"),
            failed + row.many * (row.state == "given-up"),
        )
    return found
