"""An event loop for tests, beside the one of a browser."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any


def run_apart(work: Coroutine[Any, Any, None]) -> None:
    """Run to the end in a thread of its own: in this one a loop already runs while a browser is open."""
    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, work).result()
