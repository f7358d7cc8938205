"""What every answer carries: what a browser may do with it, that nothing of it is kept; at pages gzip as well."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from starlette.datastructures import MutableHeaders
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.http.page_addresses import answers_a_page

CONTENT_SECURITY_POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
"""Own files only: no other host, nothing written into the page (W3C Content Security Policy Level 3)."""

REPORT_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; frame-ancestors 'none'"
"""For the calibration report, one sheet with its style and drawings inside so that it can be kept: no script at all."""

HEADERS: Final[Mapping[str, str]] = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


class PolicyHeaders:
    """ASGI middleware, outermost: a page of ours, or a report at an address for programs, is a page to a browser."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app
        self.zipping = GZipMiddleware(app, minimum_size=800)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        page = answers_a_page(scope)
        policy = CONTENT_SECURITY_POLICY if page else REPORT_POLICY

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in {**HEADERS, "Content-Security-Policy": policy}.items():
                    headers.setdefault(name, value)
                # An answer tells what stands now, and nobody who comes to the same device later.
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await (self.zipping if page else self.app)(scope, receive, send_with_headers)
