"""An error told as a page, from the same problem document that a program would get."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.core.translation import _, ngettext
from service.http.problems import TYPE_PREFIX, ProblemDocument
from service.pages.rendering import may, render
from service.pages.sign_in import page_before, sign_in_address

_AGAIN = frozenset({408, 429, 500, 503})
"""What may be over in a moment."""


def problem_page(request: Request, document: ProblemDocument, headers: Mapping[str, str] | None) -> Response:
    """Return the page of a problem: a heading, what happened, and ways on.

    Whoever has not signed in is led to where they can.
    """
    if document.status == 401:
        return RedirectResponse(sign_in_address(request), 303)
    kind = document.type.removeprefix(TYPE_PREFIX)
    headings = _headings()
    return render(
        request,
        "problem.html",
        status=document.status,
        headers=headers,
        problem=document,
        heading=headings.get(kind) or headings.get(document.status) or _("That did not work"),
        said=_said(document, headers or {}),
        ways=_ways_on(request, document.status),
    )


def _headings() -> Mapping[str | int, str]:
    """Return what happened in a few words, by the kind of problem or else by its status."""
    return {
        "stop": _("Stop: something else comes first"),
        "model-refused": _("No model can answer now"),
        "out-of-reach": _("No forecast can be made of this"),
        "doubtful": _("Is this right?"),
        "disk-full": _("The disk is full"),
        "store-damaged": _("The store is damaged"),
        "store-unavailable": _("The store is busy"),
        403: _("This is not for your role"),
        404: _("There is nothing here"),
        405: _("There is no page here"),
        408: _("It took too long to arrive"),
        409: _("That does not fit with what is stored"),
        412: _("Somebody changed it meanwhile"),
        413: _("That is too large"),
        422: _("Something needs another look"),
        429: _("Too many requests"),
        500: _("Something went wrong here"),
        503: _("Too busy just now"),
    }


def _said(document: ProblemDocument, headers: Mapping[str, str]) -> str:
    """Return what happened, as one says it to somebody who typed or tapped rather than sent a body."""
    wait = int(headers.get("Retry-After", "1"))
    again = ngettext("Try again in a second.", "Try again in %(num)s seconds.", wait) % {"num": wait}
    told = {
        405: _("This address only takes what a form sends. Open the page with the form, and send it from there."),
        408: _("Not all of it arrived in time, and nothing was stored. Check the connection, then send it again."),
        413: _("More was sent in one go than is taken here, and nothing was stored. Send less at once."),
        429: f"{_('Too much came from here within a minute.')} {again}",
        500: _("The fault is ours. Check whether what you sent was stored before you send it again."),
    }
    if document.status == 503 and document.type == "about:blank":
        return f"{_('More is being computed than can be answered in time.')} {again}"
    return told.get(document.status, document.detail)


def _ways_on(request: Request, status: int) -> list[tuple[str, str]]:
    """Return addresses to go on to, with their words; the likeliest first."""
    ways = []
    if request.method == "GET" and status in _AGAIN:
        asked = request.scope["query_string"].decode("latin-1")
        path = quote(request.scope["path"])
        ways.append((f"{path}?{asked}" if asked else path, _("Try again")))
    if request.method == "POST" and (before := page_before(request)) != "/":
        ways.append((before, _("Back to the form")))
    rooms = (
        ("/bench", _("To the bench"), "page_bench"),
        ("/parts", _("To the parts counter"), "page_parts"),
        ("/fleet", _("To the fleet office"), "page_fleet"),
        ("/record", _("To the record"), "page_record"),
        ("/admin", _("To the admin's room"), "page_admin"),
    )
    path = request.scope["path"]
    ways += [(at, words) for at, words, operation in rooms if path.startswith(f"{at}/") and may(request, operation)]
    return [*ways, ("/", _("To the first page"))]
