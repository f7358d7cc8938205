"""How often somebody may call: a bucket that fills steadily and holds a minute's worth."""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock
from time import monotonic
from typing import Final, NamedTuple, Protocol

MOST_BUCKETS: Final = 10_000
"""Callers kept in mind before those are forgotten that did not call for a minute. Our choice."""


class Bucket(NamedTuple):
    """Requests left at a moment, in seconds of the clock."""

    left: float
    at: float


class Buckets(Protocol):
    """Where buckets are kept, by caller."""

    def change(self, caller: str, how: Callable[[Bucket | None], Bucket | None]) -> None:
        """Replace a caller's bucket, nobody else in between; None stands for none."""


class OwnBuckets:
    """Buckets of one process."""

    def __init__(self) -> None:
        self._buckets: dict[str, Bucket] = {}
        self._lock = Lock()

    def __len__(self) -> int:
        return len(self._buckets)

    def change(self, caller: str, how: Callable[[Bucket | None], Bucket | None]) -> None:
        """Replace a caller's bucket."""
        with self._lock:
            bucket = how(self._buckets.get(caller))
            if bucket is None:
                return
            if caller not in self._buckets and len(self._buckets) >= MOST_BUCKETS:
                # One that is full again says no more than none.
                minute_ago = bucket.at - 60
                self._buckets = {name: old for name, old in self._buckets.items() if old.at > minute_ago}
            self._buckets[caller] = bucket


class RateLimit:
    """Counts requests by caller.

    Parameters
    ----------
    per_minute : int
        Requests that a caller may make in a minute, at once or spread out.
    clock : callable returning seconds
    buckets : Buckets, optional
        Those of this process alone unless given.
    """

    def __init__(self, per_minute: int, clock: Callable[[], float] = monotonic, buckets: Buckets | None = None) -> None:
        self.per_minute = per_minute
        self._clock = clock
        self._buckets = OwnBuckets() if buckets is None else buckets

    def spent(self, caller: str) -> bool:
        """Tell whether a caller's bucket is empty, without taking from it."""
        empty = False

        def look(bucket: Bucket | None) -> Bucket | None:
            nonlocal empty
            empty = bucket is not None and bucket.left + (self._clock() - bucket.at) * self.per_minute / 60 < 1
            return bucket

        self._buckets.change(caller, look)
        return empty

    def wait_s(self, caller: str) -> float:
        """Take one request from a caller's bucket; return 0, or the seconds until there is one to take."""
        wait = 0.0

        def take(bucket: Bucket | None) -> Bucket:
            nonlocal wait
            now = self._clock()
            left, at = bucket or Bucket(self.per_minute, now)
            left = min(self.per_minute, left + (now - at) * self.per_minute / 60)
            if left < 1:
                wait = (1 - left) * 60 / self.per_minute
                return Bucket(left, now)
            return Bucket(left - 1, now)

        self._buckets.change(caller, take)
        return wait
