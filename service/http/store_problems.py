"""What can stand in the way of a write, besides wrong input, and how it is told over HTTP."""

from __future__ import annotations

from fastapi import FastAPI, Request
from sqlalchemy.exc import OperationalError
from starlette.responses import Response

from service.core.refusals import Conflict, NoSuchRecord, Outdated
from service.core.translation import _
from service.http.problems import problem_response

RETRY_SECONDS = 5


def install_record_problems(app: FastAPI) -> None:
    """Answer these errors, and a store that cannot be reached, with problem documents."""
    app.add_exception_handler(NoSuchRecord, _no_such_record)
    app.add_exception_handler(Conflict, _conflict)
    app.add_exception_handler(Outdated, _outdated)
    app.add_exception_handler(OperationalError, _store_unavailable)


def _no_such_record(request: Request, error: Exception) -> Response:
    return problem_response(request, 404, str(error))


def _conflict(request: Request, error: Exception) -> Response:
    return problem_response(request, 409, str(error), kind="conflict", title="What is stored speaks against it")


def _outdated(request: Request, error: Exception) -> Response:
    return problem_response(request, 412, str(error), kind="outdated", title="The record has changed meanwhile")


def _store_unavailable(request: Request, _error: Exception) -> Response:
    said = _("The store is busy or cannot be reached; nothing was stored. Try again in %(count)s seconds.")
    detail = said % {"count": RETRY_SECONDS}
    headers = {"Retry-After": str(RETRY_SECONDS)}
    return problem_response(request, 503, detail, kind="store-unavailable", title="The store is busy", headers=headers)
