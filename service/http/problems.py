"""Errors over HTTP: one shape for all of them, the problem document of RFC 9457."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Match

from models.base.errors import BadInput, ModelRefused, OutOfReach, Problem, problems_of_items
from models.packs.stops import Stopped
from service.core.refusals import WrongAndDoubtful
from service.core.stops import ToldStop, ToldStops
from service.core.translation import _, translated_problems
from service.http.page_addresses import answers_a_page

PROBLEM_MEDIA_TYPE: Final = "application/problem+json"
ONE, MANY = "one record", "an array"
"""The two kinds of body that a door for records takes; nobody who sent one of them needs to be told which."""

METHODS: Final = ("DELETE", "GET", "HEAD", "OPTIONS", "PATCH", "POST", "PUT")
"""That an address may take (RFC 9110, 9.3; RFC 5789), but CONNECT and TRACE."""

TYPE_PREFIX: Final = "urn:tideover:problem:"


class ProblemPart(BaseModel):
    """One fault of an input."""

    where: str = Field(description="The field, row or file.", examples=["history.readings[2].block_v"])
    what: str = Field(description="What is wrong, in a sentence.")
    mend: str = Field(description="How to put it right, in a sentence.")


class ProblemDocument(BaseModel):
    """A problem document (RFC 9457) with the request's identifier and, for wrong input, every fault found."""

    type: str = Field(description="`about:blank` if the status says it all, else a name of ours that stays the same.")
    title: str = Field(description="What kind of problem it is.")
    status: int = Field(description="The HTTP status.")
    detail: str = Field(description="What happened this time, in a sentence.")
    instance: str = Field(description="The path that was asked for.")
    request_id: str = Field(description="As in the X-Request-ID header; quote it when asking about the problem.")
    problems: list[ProblemPart] | None = Field(
        None, description="Each fault of the input: where, what, how to mend it."
    )
    sure: str | None = Field(
        None,
        description="Where something looks like a slip (status 409, or 422 beside what is wrong): sent back as `Sure`, "
        "it is not asked about again.",
    )
    stops: list[ToldStop] | None = Field(
        None, description="Each fact that ends the job until something else is done; no figure is given."
    )
    cautions: list[str] | None = Field(None, description="With `stops`: what always goes with such work.")


_WHEN: Mapping[int, str] = {
    400: "The body is not valid JSON.",
    401: "There is no access key in the request, or it opens nothing (unknown, expired or revoked).",
    403: "The role of the access key may not do this.",
    404: "Nothing is at this address.",
    405: "The address does not take this method.",
    408: "The body did not arrive within the setting `body_seconds`.",
    409: "There is no model yet, its files were refused, what is stored speaks against the request, something looks "
    "like a slip and is asked about (`sure`), or a fact about the pack ends the job (`stops`).",
    412: "The record has changed since the entity tag of If-Match was given out.",
    413: "The body is larger than the setting `max_body_bytes` allows.",
    415: "The body is not declared as application/json, or it is packed with something else than gzip.",
    421: "Without access keys the service answers only by the name of this machine; `Host` or `Origin` names another.",
    422: "The input is wrong; `problems` says where, what and how to mend it.",
    429: "The access key makes more requests than the setting `requests_per_minute` allows.",
    500: "The fault is ours. The body tells nothing but the request's identifier.",
    503: "The service is not ready: it has no usable model, or the store is busy or cannot be reached.",
    507: "The disk of the service is full; nothing was stored.",
}


def problem_responses(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return the ``responses=`` of a route that can fail with these statuses, and with 500 as every route can."""
    # Whatever reads a body may have to wait for it, or to unpack it.
    slow = (408, 415) if 413 in statuses else ()
    full = (507,) if 503 in statuses else ()  # whatever asks the store may find it without room
    every = (*statuses, *slow, *full, 500)
    return {status: {"model": ProblemDocument, "description": _WHEN[status]} for status in every}


def problem_response(
    request: Request,
    status: int,
    detail: str,
    *,
    kind: str | None = None,
    title: str | None = None,
    problems: Sequence[Problem] | None = None,
    stopped: ToldStops | None = None,
    sure: str | None = None,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """Build a problem document; at the address of a page, the page that says the same.

    Parameters
    ----------
    detail : str
        What happened this time, in a sentence.
    kind : str, optional
        Last part of the problem's type; without it the type is ``about:blank`` and the title the status phrase
        (RFC 9457, 4.2.1).
    sure : str, optional
        What confirms that it is no slip.
    """
    path: str = request.scope["path"]
    document = ProblemDocument(
        type=f"{TYPE_PREFIX}{kind}" if kind else "about:blank",
        title=title or HTTPStatus(status).phrase,
        status=status,
        detail=detail,
        instance=quote(path),
        request_id=request.state.request_id,
        problems=None if problems is None else [ProblemPart(**p.as_dict()) for p in translated_problems(problems)],
        sure=sure,
        stops=None if stopped is None else stopped.stops,
        cautions=None if stopped is None else stopped.cautions,
    )
    if answers_a_page(request.scope):
        page: Response = request.app.state.problem_page(request, document, headers)
        return page
    return Response(document.model_dump_json(exclude_none=True), status, headers, PROBLEM_MEDIA_TYPE)


def install_problem_handlers(app: FastAPI) -> None:
    """Answer every error of an application with a problem document."""
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _validation)
    app.add_exception_handler(BadInput, _bad_input)
    far = "Too far from anything the model has seen"
    app.add_exception_handler(OutOfReach, said_as(422, kind="out-of-reach", title=far))
    app.add_exception_handler(ModelRefused, _model_refused)
    app.add_exception_handler(Stopped, _stopped)


def said_as(
    status: int, *, kind: str | None = None, title: str | None = None
) -> Callable[[Request, Exception], Response]:
    """Return what answers an error that says in its own words what is wrong."""
    return lambda request, error: problem_response(request, status, str(error), kind=kind, title=title)


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    details = {
        400: _("The body could not be read as JSON in UTF-8."),
        404: _nothing_at(request),
        405: _("%(path)s does not take %(method)s.") % {"path": quote(request.scope["path"]), "method": request.method},
    }
    # An address that no route has comes with nothing but the status's own name.
    headers = dict(error.headers or {})
    if error.status_code == 405:
        # Starlette names the methods of one route alone; others may have the same address.
        headers["Allow"] = ", ".join(methods_at(request))
    own_words = error.status_code == 404 and error.detail != HTTPStatus.NOT_FOUND.phrase
    said = str(error.detail) if own_words else details.get(error.status_code, str(error.detail))
    return problem_response(request, error.status_code, said, headers=headers)


def _nothing_at(request: Request) -> str:
    return _("There is nothing at %(path)s.") % {"path": quote(request.scope["path"])}


def methods_at(request: Request) -> list[str]:
    """Return every method that the address of a request takes."""
    routes = request.app.router.routes
    return [
        method
        for method in METHODS
        if any(route.matches({**request.scope, "method": method})[0] is Match.FULL for route in routes)
    ]


def _validation(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    items = error.errors()
    if any(item["type"] == "json_invalid" for item in items):
        reason = items[0].get("ctx", {}).get("error", "it ends too early")
        position = items[0]["loc"][-1]
        return problem_response(request, 400, f"The body is not valid JSON at character {position}: {reason}.")
    if answers_a_page(request.scope) and any(item["loc"][0] == "path" for item in items):
        return problem_response(request, 404, _nothing_at(request))  # nobody typed a field: the address is wrong
    bare = [item | {"loc": _as_sent(item["loc"])} for item in items]
    return _wrong_input(request, problems_of_items(bare))


def _as_sent(location: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """Say where a fault lies as the sender wrote it: without "body" before every field, or which kind of body it is."""
    bare = location[1:] if location[:1] == ("body",) else location
    return bare[1:] if bare[:1] in ((ONE,), (MANY,)) else bare


def _bad_input(request: Request, error: Exception) -> Response:
    assert isinstance(error, BadInput)
    return _wrong_input(request, error.problems, error.sure if isinstance(error, WrongAndDoubtful) else "")


def _wrong_input(request: Request, problems: Sequence[Problem], sure: str = "") -> Response:
    (first,) = translated_problems(problems[:1])
    said = str(first)
    if len(problems) > 1:
        said += " " + _("And %(count)s more, see problems.") % {"count": len(problems) - 1}
    title = "The input is wrong"
    return problem_response(request, 422, said, kind="bad-input", title=title, problems=problems, sure=sure or None)


def _stopped(request: Request, error: Exception) -> Response:
    assert isinstance(error, Stopped)
    told = ToldStops.of(error)
    return problem_response(
        request, 409, " ".join(told.lines()), kind="stop", title="Stop: something else comes first", stopped=told
    )


def _model_refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, ModelRefused)
    return problem_response(request, 409, error.said, kind="model-refused", title="There is no usable model")
