"""A body must come in within a time: a client that sends it drop by drop is not waited for."""

from __future__ import annotations

import asyncio

from fastapi import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send


class BodyTime:
    """ASGI middleware that answers 408 when a body has not arrived in time."""

    def __init__(self, app: ASGIApp, seconds: float) -> None:
        self.app = app
        self.seconds = seconds

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        whole = False
        until = asyncio.get_running_loop().time() + self.seconds

        async def in_time() -> Message:
            nonlocal whole
            if whole:
                return await receive()
            try:
                async with asyncio.timeout_at(until):
                    message = await receive()
            except TimeoutError:
                detail = f"The body did not arrive within {self.seconds:g} seconds, as set by TIDEOVER_BODY_SECONDS."
                raise HTTPException(408, detail, {"Connection": "close"}) from None
            whole = not message.get("more_body", False)
            return message

        await self.app(scope, in_time, send)
