"""Every request gets an identifier, a log line without its inputs, and an answer even if the code fails."""

from __future__ import annotations

import re
import traceback
from pathlib import Path
from time import perf_counter
from typing import Any, Final
from uuid import uuid4

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.core.tracing import TRACEPARENT, TRACERESPONSE, Step, TraceContext, step
from service.http.problems import problem_response

REQUEST_ID_HEADER: Final = "X-Request-ID"
_SOUND_ID = re.compile(r"^[A-Za-z0-9._-]{1,64}$")


class RequestLog:
    """ASGI middleware, the outermost of ours.

    A caller's ``X-Request-ID`` is kept if it is short and plain, else a new one is made; it goes back in the answer
    and into the log, as does the trace that a ``traceparent`` names (W3C Trace Context). The log names the route rather
    than the path, and neither query nor body, so that no pack identifier or reading gets into it.
    """

    def __init__(self, app: ASGIApp, log: Any) -> None:
        self.app = app
        self.log = log

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        given = Headers(scope=scope).get(REQUEST_ID_HEADER, "")
        request_id = given if _SOUND_ID.match(given) else uuid4().hex
        scope.setdefault("state", {})["request_id"] = request_id
        parent = TraceContext.read(Headers(scope=scope).get(TRACEPARENT, ""))
        with step("request", "SERVER", parent) as running:
            await self._answer(scope, receive, send, running)

    async def _answer(self, scope: Scope, receive: Receive, send: Send, running: Step) -> None:
        request_id: str = scope["state"]["request_id"]
        trace = running.context
        log = self.log.bind(
            request_id=request_id, method=scope["method"], trace_id=trace.trace_id, span_id=trace.span_id
        )
        started = perf_counter()
        status: int | None = None
        gone = False

        async def send_with_id(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                headers[REQUEST_ID_HEADER] = request_id
                headers[TRACERESPONSE] = trace.header()
            await send(message)

        try:
            await self.app(scope, receive, send_with_id)
        except ClientDisconnect:
            # Pressed twice, or the tab was closed: a browser drops the first request, which nobody waits for then.
            gone = True
        except Exception as error:
            # The message of an exception may quote an input; its kind and place never do.
            running.failed = True
            log.error("request failed", error=type(error).__name__, at=_places(error))
            if status is not None:
                raise
            detail = "Something went wrong inside the service. Nothing was stored."
            await problem_response(Request(scope), 500, detail)(scope, receive, send_with_id)
        finally:
            route = getattr(scope.get("route"), "path", None)
            # Methods are whatever a caller writes; only those of our routes become a name.
            running.name = "no route" if route is None else f"{scope['method']} {route}"
            running.attributes = {
                "http.request.method": None if route is None else scope["method"],
                "http.route": route,
                "http.response.status_code": status,
            }
            running.failed |= (status is None and not gone) or (status or 0) >= 500
            milliseconds = round((perf_counter() - started) * 1000, 1)
            cause = scope["state"].get("cause")
            if cause is not None:
                log.warning("the store is in trouble", cause=cause, status=status)
            left = {"caller": "gone"} if gone else {}
            log.info("request", route=route, status=status, milliseconds=milliseconds, **left)


def _places(error: BaseException) -> list[str]:
    frames = traceback.extract_tb(error.__traceback__)[-6:]
    return [f"{Path(frame.filename).name}:{frame.lineno} {frame.name}" for frame in frames]
