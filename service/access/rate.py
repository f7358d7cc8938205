"""How often somebody may call: a bucket that fills steadily and holds a minute's worth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock
from time import monotonic
from typing import Final

MOST_BUCKETS: Final = 10_000
"""Callers kept in mind before those are forgotten that did not call for a minute. Our choice."""


@dataclass
class _Bucket:
    left: float
    at: float


class RateLimit:
    """Counts requests by caller.

    Parameters
    ----------
    per_minute : int
        Requests that a caller may make in a minute, at once or spread out.
    clock : callable returning seconds
    """

    def __init__(self, per_minute: int, clock: Callable[[], float] = monotonic) -> None:
        self.per_minute = per_minute
        self._clock = clock
        self._buckets: dict[str, _Bucket] = {}
        self._lock = Lock()

    def spent(self, caller: str) -> bool:
        """Tell whether a caller's bucket is empty, without taking from it."""
        with self._lock:
            bucket = self._buckets.get(caller)
            return bucket is not None and bucket.left + (self._clock() - bucket.at) * self.per_minute / 60 < 1

    def wait_s(self, caller: str) -> float:
        """Take one request from a caller's bucket; return 0, or the seconds until there is one to take."""
        with self._lock:
            now = self._clock()
            if caller not in self._buckets and len(self._buckets) >= MOST_BUCKETS:
                # One that is full again says no more than none.
                minute_ago = now - 60
                self._buckets = {name: bucket for name, bucket in self._buckets.items() if bucket.at > minute_ago}
            bucket = self._buckets.setdefault(caller, _Bucket(self.per_minute, now))
            bucket.left = min(self.per_minute, bucket.left + (now - bucket.at) * self.per_minute / 60)
            bucket.at = now
            if bucket.left < 1:
                return (1 - bucket.left) * 60 / self.per_minute
            bucket.left -= 1
            return 0.0
