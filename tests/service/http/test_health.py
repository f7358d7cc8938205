"""Whether it lives is answered on the loop: also while every thread of the server waits for something."""

from __future__ import annotations

import anyio
import httpx2 as httpx
from anyio.to_thread import current_default_thread_limiter

from tests.service.event_loop import run_apart


def test_it_is_answered_while_every_thread_is_taken(client):
    async def run() -> None:
        threads = current_default_thread_limiter()
        for number in range(int(threads.total_tokens)):
            threads.acquire_on_behalf_of_nowait(number)
        transport = httpx.ASGITransport(client.app)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8765") as caller:
            with anyio.fail_after(30):
                answer = await caller.get("/healthz")
        assert answer.status_code == 200

    run_apart(run())
