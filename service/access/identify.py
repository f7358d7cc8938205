"""Before anything of a request is read, it is settled who sends it and whether it is too much."""

from __future__ import annotations

import contextlib
import math
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.exc import DatabaseError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from service.access.callers import ANYONE, NO_KEYS, Caller
from service.access.hosts import called_by_own_name
from service.access.keys import keys_in_use
from service.access.rate import RateLimit
from service.access.roles import OPEN_PATHS
from service.access.visits import caller_at, visit_of
from service.access.wrong_keys import WrongKeys
from service.http.page_addresses import answers_a_page, is_open_page
from service.http.problems import problem_response
from service.http.store_problems import trouble_response
from service.store.opening import Store
from service.store.schema import ApiKey

USE_NOTED_EVERY: Final = timedelta(minutes=1)
WATCHER: Final = Caller(ANYONE, "read-only")


class Identify:
    """ASGI middleware that puts a `Caller` into the request's state, or answers 401 or 429 itself.

    Parameters
    ----------
    app : ASGI application
    keyless : bool
        Whether to let everybody in while there are no keys: only where nobody from elsewhere can call.
    """

    def __init__(self, app: ASGIApp, limit: RateLimit, *, keyless: bool) -> None:
        self.app = app
        self.limit = limit
        self.keyless = keyless
        self._noted: dict[str, datetime] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        found: Caller | Response
        if scope["path"] in OPEN_PATHS:
            found = WATCHER
        elif answers_a_page(scope):
            found = await run_in_threadpool(self._visitor, Request(scope))
        else:
            found = await run_in_threadpool(self._identify, Request(scope))
        if isinstance(found, Response):
            await found(scope, receive, send)
            return
        scope["state"]["caller"] = found
        await self.app(scope, receive, send)

    def _identify(self, request: Request) -> Caller | Response:
        scheme, _, key = Headers(scope=request.scope).get("authorization", "").partition(" ")
        now: datetime = request.app.state.clock()
        store: Store = request.app.state.store
        try:
            with store.reading() as session:
                if not key:
                    if self.keyless and not keys_in_use(session):
                        return _anyone(request)
                    return _refuse(request, "Send an access key as Authorization: Bearer, followed by the key.")
                if scheme.lower() != "bearer":
                    return _refuse(request, "Use the scheme Bearer.")
                wrong_keys: WrongKeys = request.app.state.wrong_keys
                found = wrong_keys.caller_of(session, key.strip(), request, now)
        except HTTPException as error:
            return problem_response(request, error.status_code, error.detail, headers=error.headers)
        except DatabaseError as error:
            return trouble_response(request, error)
        if isinstance(found, str):
            return _refuse(request, found)
        return self._not_too_often(request, store, found, now)

    def _visitor(self, request: Request) -> Caller | Response:
        """Return who looks at a page: told by a cookie, as a browser sends no key."""
        now: datetime = request.app.state.clock()
        store: Store = request.app.state.store
        visit = request.state.visit = visit_of(request)
        if is_open_page(request.scope["path"]):
            return WATCHER
        try:
            with store.reading() as session:
                found = caller_at(session, visit, now, keyless=self.keyless)
        except DatabaseError as error:
            return trouble_response(request, error)
        if found is None:
            return _refuse(request, "Sign in with an access key.")
        return _anyone(request) if found == NO_KEYS else self._not_too_often(request, store, found, now)

    def _not_too_often(self, request: Request, store: Store, found: Caller, now: datetime) -> Caller | Response:
        if (wait := self.limit.wait_s(found.name)) > 0:
            return _slow_down(request, wait, self.limit.per_minute)
        self._note_use(store, found, now)
        return found

    def _note_use(self, store: Store, caller: Caller, now: datetime) -> None:
        if now - self._noted.get(caller.name, now - USE_NOTED_EVERY) < USE_NOTED_EVERY:
            return
        self._noted[caller.name] = now
        # That a use could not be noted is no reason to refuse it.
        with contextlib.suppress(DatabaseError), store.writing(wait=False) as session:
            session.query(ApiKey).where(ApiKey.id == caller.name).update({"last_used_at": now})


def _anyone(request: Request) -> Caller | Response:
    if called_by_own_name(request, request.app.state.settings.host):
        return NO_KEYS
    detail = (
        "Without access keys this service answers only by the name of this machine (localhost or a loopback address), "
        "and not through a proxy, so that nobody from elsewhere can call it. Make a key to call it otherwise."
    )
    return problem_response(request, 421, detail)


def _refuse(request: Request, detail: str) -> Response:
    return problem_response(request, 401, detail, headers={"WWW-Authenticate": 'Bearer realm="tideover"'})


def _slow_down(request: Request, wait_s: float, per_minute: int) -> Response:
    detail = (
        f"This key made more than {per_minute} requests in a minute, the limit set by TIDEOVER_REQUESTS_PER_MINUTE."
    )
    return problem_response(request, 429, detail, headers={"Retry-After": str(math.ceil(wait_s))})
