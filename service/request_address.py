"""Which addresses are answered at all."""

from __future__ import annotations

from typing import Final

from fastapi import HTTPException, Request

NUL: Final = "\x00"
"""The one sign that PostgreSQL stores in no text, so nothing can be called by it."""


def require_writable_address(request: Request) -> None:
    """Refuse an address with a NUL in it: a dependency of every route."""
    if NUL in request.scope["path"] or any(NUL in value for _, value in request.query_params.multi_items()):
        raise HTTPException(404, "The address holds the sign NUL (%00), which no record can hold. Leave it out.")
