"""What is said on the next page after a write: that it was done, and a way to undo it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import timedelta
from typing import Any, Final

from itsdangerous import BadData
from starlette.requests import Request
from starlette.responses import Response

from service.access.visits import seal, set_cookie

COOKIE: Final = "tideover_message"
LASTS: Final = timedelta(minutes=10)


@dataclass(frozen=True)
class Undo:
    """The form that takes a write back.

    Attributes
    ----------
    to : str
        Address that the form is sent to.
    fields : mapping of str to str
        Hidden fields.
    """

    to: str
    fields: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Message:
    """A sentence about what was done.

    Attributes
    ----------
    undo : Undo or None
        None only if there is nothing to take back.
    """

    text: str
    undo: Undo | None = None


def send_message(response: Response, request: Request, message: Message) -> None:
    """Let the next page show a message."""
    token: Any = seal(request, COOKIE).dumps(asdict(message))
    set_cookie(response, request, COOKIE, str(token), LASTS)


def take_message(request: Request) -> Message | None:
    """Return the message that waits to be shown."""
    try:
        content = seal(request, COOKIE).loads(request.cookies.get(COOKIE, ""))
        undo = content["undo"]
        return Message(content["text"], None if undo is None else Undo(undo["to"], undo["fields"]))
    except (BadData, KeyError, TypeError):
        return None
