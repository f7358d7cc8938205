"""Which request bodies are read at all: JSON, up to a size."""

from __future__ import annotations

from typing import Final

from fastapi import HTTPException, Request
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.http.page_addresses import is_open_page
from service.http.upload_addresses import brings_a_file

OPEN_BODY_BYTES: Final = 8_000
"""Of what anybody may send without a key: an access key, a token and an address to go on to. Our choice."""


class BodyLimit:
    """ASGI middleware that stops reading a body at a number of bytes, declared or not.

    Parameters
    ----------
    app : ASGI application
    max_upload_bytes : int
        Of a file that is sent in to be imported.
    max_records_bytes : int
        Of what may be an array of records.
    records : frozenset of str
        Addresses that take such arrays.
    """

    def __init__(
        self, app: ASGIApp, max_bytes: int, max_upload_bytes: int, max_records_bytes: int, records: frozenset[str]
    ) -> None:
        self.app = app
        self.max_bytes = max_bytes
        self.max_upload_bytes = max_upload_bytes
        self.max_records_bytes = max_records_bytes
        self.records = records

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        declared = Headers(scope=scope).get("content-length", "")
        upload = brings_a_file(scope)
        if is_open_page(scope["path"]):
            most, set_by = min(OPEN_BODY_BYTES, self.max_bytes), ""
        elif upload:
            most, set_by = self.max_upload_bytes, ", the limit set by TIDEOVER_MAX_UPLOAD_BYTES"
        elif scope["method"] == "POST" and scope["path"] in self.records:
            most, set_by = self.max_records_bytes, ", the limit set by TIDEOVER_MAX_RECORDS_BYTES"
        else:
            most, set_by = self.max_bytes, ", the limit set by TIDEOVER_MAX_BODY_BYTES"
        too_large = HTTPException(413, f"The body is larger than {most} bytes{set_by}.")
        received = 0

        async def limited() -> Message:
            nonlocal received
            if declared.isdigit() and int(declared) > most:
                raise too_large
            message = await receive()
            received += len(message.get("body", b""))
            if received > most:
                raise too_large
            return message

        await self.app(scope, limited, send)


async def require_json(request: Request) -> None:
    """Refuse a body that is not declared as JSON: a dependency of every route that takes one."""
    declared = request.headers.get("content-type", "")
    if declared.partition(";")[0].strip().lower() != "application/json":
        said = f"declared as {declared}" if declared else "not declared as anything"
        raise HTTPException(415, f"The body is {said}; send JSON with Content-Type: application/json.")
