"""The room for whoever writes a program: every route, to read and to try, by a kept library's packaged files."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Final

from fastapi import HTTPException, Request
from starlette.responses import Response

from service.pages.forms import page_router
from service.pages.rendering import render

LIBRARY: Final = "fastapi_offline"
"""A package that ships Swagger UI (Apache 2.0) as files; nothing is fetched from another host."""

PACKAGED: Final = {
    "swagger-ui-bundle.js": "text/javascript; charset=utf-8",
    "swagger-ui.css": "text/css; charset=utf-8",
}

POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data:",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)
"""The library writes styles into its page and has drawings in its style sheet; scripts are own files here too."""

router = page_router()


@cache
def packaged(name: str) -> bytes:
    """Read one of the library's files."""
    return files(LIBRARY).joinpath("static", name).read_bytes()


@router.get("/docs", operation_id="page_programs")
def programs(request: Request) -> Response:
    """Show every route with its examples."""
    answer = render(request, "programs.html")
    answer.headers["Content-Security-Policy"] = POLICY
    return answer


@router.get("/docs/{name}", operation_id="page_programs_file")
def programs_file(name: str) -> Response:
    """Send a file of the library."""
    if name not in PACKAGED:
        raise HTTPException(404)
    return Response(packaged(name), 200, {"Cache-Control": "public, max-age=86400"}, PACKAGED[name])
