"""How the server that answers is set up, in one process or in several side by side."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable
from typing import Final

import uvicorn
from fastapi import FastAPI

from service.core.settings import Settings
from service.http.connections import Connections, SameLineSeldom

GRACE_SECONDS: Final = 20
"""Requests in hand when the service is asked to stop have so long to end."""

KEEP_ALIVE_SECONDS: Final = 15
"""How long a connection is kept on which nothing is asked. Our choice: longer than the 5 s after which common client
libraries take a new one, so that the client closes it, and not the service at the moment at which something is sent."""

START_SECONDS: Final = 60
"""How long a process may answer nothing, as while it starts on a busy machine, before another takes its place. Our
choice."""

HANDED_ON_SECONDS: Final = 0.001
"""After so long the thread that computes lets another one on. Our choice, a fifth of what is usual: a write asks the
database some fifteen things, holds up the other writes meanwhile, and after each waits for whoever computes a forecast.
"""

MERGED_FROM: Final = "PROMETHEUS_MULTIPROC_DIR"
"""Variable of the metrics library: a folder in which the processes of one service count together."""


class ServiceConfig(uvicorn.Config):
    """Set-up of the server, the same for one process as for each of several.

    Parameters
    ----------
    app : FastAPI, or callable without arguments
        The application, or what makes it in each process.
    """

    def __init__(self, settings: Settings, app: FastAPI | Callable[[], FastAPI]) -> None:
        super().__init__(
            app,
            factory=not isinstance(app, FastAPI),
            workers=settings.workers,
            ws="none",
            access_log=False,
            log_level="warning",
            timeout_keep_alive=KEEP_ALIVE_SECONDS,
            timeout_graceful_shutdown=GRACE_SECONDS,
            timeout_worker_healthcheck=START_SECONDS,
        )
        self.settings = settings

    def load(self) -> None:
        """Make ready what is of this process: its share of the connections, and what its log leaves out."""
        sys.setswitchinterval(HANDED_ON_SECONDS)
        settings, processes = self.settings, self.settings.workers
        self.http = Connections(
            -(-settings.max_connections // processes),
            -(-settings.max_connections_from_one // processes),
            settings.header_seconds,
        ).protocol()
        for name in ("uvicorn.error", "asyncio"):
            logging.getLogger(name).addFilter(SameLineSeldom())
        super().load()
