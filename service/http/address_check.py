"""Which addresses are answered at all."""

from __future__ import annotations

from typing import Final

from fastapi import HTTPException, Request

NUL: Final = "\x00"
"""The one sign that PostgreSQL stores in no text, so nothing can be called by it."""


async def require_writable_address(request: Request) -> None:
    """Refuse an address with a NUL in it: a dependency of every route.

    In the path it names a thing that cannot be there (404); in the question after it, a value that no
    record can hold (422).
    """
    if NUL in request.scope["path"]:
        raise HTTPException(404, "The address holds the sign NUL (%00), which no record can hold. Leave it out.")
    for name, value in request.query_params.multi_items():
        if NUL in name or NUL in value:
            shown = name.replace(NUL, "%00")
            raise HTTPException(422, f"{shown} holds the sign NUL (%00), which no record can hold. Leave it out.")
