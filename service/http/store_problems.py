"""What can stand in the way of a write, besides wrong input, and how it is told over HTTP."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import FastAPI, Request
from sqlalchemy.exc import DatabaseError
from starlette.responses import RedirectResponse, Response

from service.core.refusals import Conflict, Doubtful, NamesItsVehicle, NoSuchRecord, Outdated
from service.core.translation import _, translated_problems
from service.http.page_addresses import answers_a_page
from service.http.problems import problem_response, said_as
from service.store.trouble import cause_of, trouble_of

RETRY_SECONDS = 5


def install_record_problems(app: FastAPI) -> None:
    """Answer these errors, and a store that cannot take a write, with problem documents."""
    app.add_exception_handler(NoSuchRecord, said_as(404))
    app.add_exception_handler(NamesItsVehicle, _go_to_its_pack)
    app.add_exception_handler(Conflict, said_as(409, kind="conflict", title="What is stored speaks against it"))
    app.add_exception_handler(Outdated, said_as(412, kind="outdated", title="The record has changed meanwhile"))
    app.add_exception_handler(Doubtful, _doubtful)
    app.add_exception_handler(DatabaseError, trouble_response)
    app.add_exception_handler(OSError, trouble_response)


def trouble_response(request: Request, error: Exception) -> Response:
    """Answer where the store or its disk is the trouble; any other fault is raised again.

    The log gets the cause with the request's line.
    """
    trouble = trouble_of(error)
    if trouble is None:
        raise error
    request.state.cause = cause_of(error)
    if trouble == "full":
        said = _("The disk of the service is full; nothing was stored. Make room there, then send this again.")
        return problem_response(request, 507, said, kind="disk-full", title="The disk is full")
    if trouble == "damaged":
        said = _(
            "The database is damaged; nothing was stored. Whoever runs the service can find out more with "
            "tideover doctor."
        )
        return problem_response(request, 503, said, kind="store-damaged", title="The store is damaged")
    said = _("The store is busy or cannot be reached; nothing was stored. Try again in %(count)s seconds.")
    detail = said % {"count": RETRY_SECONDS}
    headers = {"Retry-After": str(RETRY_SECONDS)}
    return problem_response(request, 503, detail, kind="store-unavailable", title="The store is busy", headers=headers)


def _go_to_its_pack(request: Request, error: Exception) -> Response:
    """Lead to the page of the pack that sits in the vehicle of that name; a program is told its name."""
    assert isinstance(error, NamesItsVehicle)
    if request.method not in ("GET", "HEAD") or not answers_a_page(request.scope):
        return said_as(404)(request, error)
    names = {**request.path_params, "pack_id": error.pack_id}
    path = request.scope["route"].path_format.format(
        **{name: quote(str(value), safe="") for name, value in names.items()}
    )
    query = request.url.query
    return RedirectResponse(f"{path}?{query}" if query else path, 303)


def _doubtful(request: Request, error: Exception) -> Response:
    assert isinstance(error, Doubtful)
    said = _("%(doubt)s If it is right, send it again with the header Sure: %(sure)s.")
    (first,) = translated_problems(error.problems[:1])
    detail = said % {"doubt": f"{first.what} {first.mend}", "sure": error.sure}
    return problem_response(
        request, 409, detail, kind="doubtful", title="Is this right?", problems=error.problems, sure=error.sure
    )
