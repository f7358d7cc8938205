"""The first page asks what somebody wants to know."""

from __future__ import annotations

from fastapi import Request
from starlette.responses import Response

from service.pages.forms import page_router
from service.pages.rendering import render

router = page_router()


@router.get("/", operation_id="page_home")
def show_home(request: Request) -> Response:
    """Lead to the three people's questions and to the record."""
    return render(request, "home.html")
