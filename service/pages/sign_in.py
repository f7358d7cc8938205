"""Signing in with an access key, signing out, and the choice of light or dark."""

from __future__ import annotations

from datetime import timedelta
from typing import Final
from urllib.parse import quote, urlencode, urlsplit

from fastapi import Request
from starlette.responses import Response

from service.access.callers import Caller
from service.access.visits import Visit, end, keep, set_cookie
from service.core.translation import _
from service.http.dependencies import CurrentStore
from service.http.page_addresses import own_address
from service.pages.forms import SentForm, page_router
from service.pages.messages import Message
from service.pages.rendering import LOOK_COOKIE, LOOKS, go_to, render

LOOK_LASTS: Final = timedelta(days=400)
"""The longest that browsers keep a cookie (RFC 6265bis, 5.5)."""

router = page_router()


def sign_in_address(request: Request) -> str:
    """Return the address of the page to sign in, which leads back to where one wanted to go."""
    if request.method == "GET":
        asked = request.scope["query_string"].decode("latin-1")
        query = f"?{asked}" if asked else ""
        wanted = f"{quote(request.scope['path'])}{query}"
    else:
        # A form that came too late: back to the page that it was on, which still has what was typed if scripts run.
        wanted = page_before(request)
    return "/sign-in" if wanted == "/" else f"/sign-in?{urlencode({'next': wanted})}"


def page_before(request: Request) -> str:
    """Return the address of the page of ours that one comes from, or `/`."""
    try:
        came = urlsplit(request.headers.get("referer", ""))
    except ValueError:
        return "/"
    if came.netloc != request.headers.get("host"):
        return "/"
    return own_address(f"{came.path}?{came.query}" if came.query else came.path)


@router.get("/sign-in", operation_id="page_sign_in")
def show_sign_in(request: Request) -> Response:
    """Ask for an access key."""
    return render(request, "sign_in.html", wanted=own_address(request.query_params.get("next")), refused="")


@router.post("/sign-in", operation_id="page_sign_in_sent")
def sign_in(request: Request, form: SentForm, store: CurrentStore) -> Response:
    """Begin a visit with an access key."""
    wanted = own_address(form.get("next"))
    now = request.app.state.clock()
    with store.reading() as session:
        found = request.app.state.wrong_keys.caller_of(session, form.get("key"), request, now)
    if not isinstance(found, Caller):
        return render(request, "sign_in.html", status=422, wanted=wanted, refused=found)
    response = go_to(request, wanted)
    # A number of its own: what was known before signing in opens nothing afterwards.
    keep(response, request, Visit.new(now, found.name))
    return response


@router.post("/sign-out", operation_id="page_sign_out")
def sign_out(request: Request, _form: SentForm, store: CurrentStore) -> Response:
    """End a visit: here, and for whoever has a copy of its cookie."""
    now = request.app.state.clock()
    with store.writing() as session:
        end(session, request.state.visit, now)
    response = go_to(request, "/sign-in", Message(_("You are signed out on this device.")))
    keep(response, request, Visit.new(now))
    return response


@router.post("/look", operation_id="page_look")
def choose_look(request: Request, form: SentForm) -> Response:
    """Remember light or dark on this device."""
    response = go_to(request, own_address(form.get("next")))
    look = form.get("look")
    if look in LOOKS:
        set_cookie(response, request, LOOK_COOKIE, look, LOOK_LASTS)
    else:
        response.delete_cookie(LOOK_COOKIE, httponly=True, samesite="strict")
    return response
