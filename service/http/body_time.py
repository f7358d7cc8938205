"""A body must come in within a time: a client that sends it drop by drop is not waited for."""

from __future__ import annotations

import asyncio

from fastapi import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.http.upload_addresses import brings_a_file


class BodyTime:
    """ASGI middleware that answers 408 when a body has not arrived in time."""

    def __init__(self, app: ASGIApp, seconds: float, upload_seconds: float) -> None:
        self.app = app
        self.seconds = seconds
        self.upload_seconds = upload_seconds

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        whole = False
        upload = brings_a_file(scope)
        seconds = self.upload_seconds if upload else self.seconds
        until = asyncio.get_running_loop().time() + seconds

        async def in_time() -> Message:
            nonlocal whole
            if whole:
                return await receive()
            try:
                async with asyncio.timeout_at(until):
                    message = await receive()
            except TimeoutError:
                setting = "TIDEOVER_UPLOAD_SECONDS" if upload else "TIDEOVER_BODY_SECONDS"
                detail = f"The body did not arrive within {seconds:g} seconds, as set by {setting}."
                raise HTTPException(408, detail, {"Connection": "close"}) from None
            whole = not message.get("more_body", False)
            return message

        await self.app(scope, in_time, send)
