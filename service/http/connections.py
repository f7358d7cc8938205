"""How many may be connected, and how long they may take to say what they want.

A connection costs a handle of the process, of which there are few. So there are never more than a number of them, in
all and from one address, and one that does not send a whole header in time is closed.
"""

from __future__ import annotations

import asyncio
import logging
import resource
from collections import Counter
from time import monotonic
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

OWN_HANDLES: Final = 256
"""Kept for files, the database and everything else. Our choice."""

SAME_LINE_EVERY_S: Final = 10.0
"""A client can have the same line of the server's log written as often as it likes; it is written this often."""

_FULL: Final = b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 5\r\nConnection: close\r\nContent-Length: 0\r\n\r\n"
_TOO_SLOW: Final = b"HTTP/1.1 408 Request Timeout\r\nConnection: close\r\nContent-Length: 0\r\n\r\n"


class Connections:
    """Counts the connections of one process.

    Parameters
    ----------
    most, most_from_one : int
        In all, and from one address.
    header_seconds : float
        Time in which the header of a request must arrive, from the first byte or the start of the connection.
    """

    def __init__(self, most: int, most_from_one: int, header_seconds: float) -> None:
        self.most = min(most, handles() - OWN_HANDLES)
        self.most_from_one = most_from_one
        self.header_seconds = header_seconds
        self.open: Counter[str] = Counter()

    def take(self, address: str) -> bool:
        """Count one more, if there is room for it."""
        if self.open.total() >= self.most or self.open[address] >= self.most_from_one:
            return False
        self.open[address] += 1
        return True

    def give_back(self, address: str) -> None:
        """Count one less."""
        self.open[address] -= 1
        if self.open[address] <= 0:
            del self.open[address]

    def protocol(self) -> type[asyncio.Protocol]:
        """Return the protocol that keeps to these numbers."""
        return type("GuardedProtocol", (_GuardedProtocol,), {"guard": self})


def handles() -> int:
    """Return how many files and connections the process may hold, after asking for as many as it can have."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = min(hard, 65_536) if hard != resource.RLIM_INFINITY else 65_536
    if soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
    return max(soft, wanted)


class _GuardedProtocol(H11Protocol):
    guard: Connections
    address: str | None = None
    deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        peer = transport.get_extra_info("peername")
        address = str(peer[0]) if isinstance(peer, tuple) else ""
        if not self.guard.take(address):
            self.transport = transport
            transport.write(_FULL)
            transport.close()
            return
        self.address = address
        super().connection_made(transport)
        self._expect_header()

    def data_received(self, data: bytes) -> None:
        if self.address is None:
            return
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()
        elif self.deadline is None:
            self._expect_header()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        if self.address is not None:
            self.guard.give_back(self.address)
        super().connection_lost(exc)

    def _expect_header(self) -> None:
        self.deadline = self.loop.call_later(self.guard.header_seconds, self._too_slow)

    def _stop_waiting(self) -> None:
        if self.deadline is not None:
            self.deadline.cancel()
            self.deadline = None

    def _too_slow(self) -> None:
        self.deadline = None
        if not self.transport.is_closing():
            self.transport.write(_TOO_SLOW)
            self.transport.close()


class SameLineSeldom(logging.Filter):
    """Lets the same line of a log pass once in a while."""

    def __init__(self, clock: Any = monotonic) -> None:
        super().__init__()
        self._clock = clock
        self._written: dict[str, float] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Tell whether a line is written."""
        now = self._clock()
        line = str(record.msg)
        if now - self._written.get(line, -SAME_LINE_EVERY_S) < SAME_LINE_EVERY_S:
            return False
        self._written = {text: at for text, at in self._written.items() if now - at < SAME_LINE_EVERY_S} | {line: now}
        return True
