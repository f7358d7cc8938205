"""Entity tags: how a caller says which state it knows, and the answer where nothing has changed since."""

from __future__ import annotations

import hashlib
from typing import Annotated, Any

from fastapi import Header
from starlette.responses import Response

IfMatch = Annotated[
    str | None,
    Header(max_length=500, description="Change the record only if it still has one of these entity tags."),
]
IfNoneMatch = Annotated[
    str | None,
    Header(max_length=500, description="Answer 304 without a body if it still has one of these entity tags."),
]
TAGGED = {"ETag": {"description": "Entity tag of what is answered.", "schema": {"type": "string"}}}
LOCATED = {"Location": {"description": "Address of the new record.", "schema": {"type": "string"}}}
NOT_MODIFIED: dict[int | str, dict[str, Any]] = {304: {"description": "It still has the tag that the caller knows."}}


def tagged(body: str, etag: str, known: str | None) -> Response:
    """Answer with an entity tag, or 304 if the caller has that state already (RFC 9110, 13.1.2)."""
    tags = [tag.strip().removeprefix("W/") for tag in (known or "").split(",")]
    if etag in tags or "*" in tags:
        return Response(status_code=304, headers={"ETag": etag})
    return Response(body, 200, {"ETag": etag}, "application/json")


def tag_of(body: str) -> str:
    """Return an entity tag made from a body."""
    return f'"{hashlib.sha256(body.encode()).hexdigest()[:32]}"'
