"""An error told as a page, from the same problem document that a program would get."""

from __future__ import annotations

from collections.abc import Mapping

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.http.problems import ProblemDocument
from service.pages.rendering import render
from service.pages.sign_in import sign_in_address


def problem_page(request: Request, document: ProblemDocument, headers: Mapping[str, str] | None) -> Response:
    """Return the page of a problem. Whoever has not signed in is led to where they can."""
    if document.status == 401:
        return RedirectResponse(sign_in_address(request), 303)
    return render(request, "problem.html", status=document.status, headers=headers, problem=document)
