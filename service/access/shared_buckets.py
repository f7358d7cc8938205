"""Buckets that several processes share: a file in memory, of which each holds a map."""

from __future__ import annotations

import fcntl
import hashlib
import os
import weakref
from collections.abc import Callable
from pathlib import Path
from threading import Lock
from typing import Final

import numpy as np

from service.access.rate import MOST_BUCKETS, Bucket

SLOTS: Final = 2 * MOST_BUCKETS
LOOKED_AT: Final = 16
"""Slots that a caller's bucket may lie in, one after the other: in a table half full hardly ever are so many taken."""

_SLOT: Final = np.dtype([("caller", np.uint64), ("left", np.float64), ("at", np.float64)])


class SharedBuckets:
    """Buckets of all processes that name the same file.

    Parameters
    ----------
    file : Path
        Made if it is not there. The clock must be the machine's, as `time.monotonic` is on Linux, not one of a process.

    Notes
    -----
    Where all slots of a caller are taken the one that was not asked for the longest is forgotten. The lock is the
    file's: a process that is killed lets go of it.
    """

    def __init__(self, file: Path) -> None:
        self._handle = os.open(file, os.O_RDWR | os.O_CREAT, 0o600)
        weakref.finalize(self, os.close, self._handle)
        os.truncate(self._handle, SLOTS * _SLOT.itemsize)  # what is there already stays
        self._slots = np.memmap(file, _SLOT, "r+", shape=(SLOTS,))
        self._lock = Lock()

    def change(self, caller: str, how: Callable[[Bucket | None], Bucket | None]) -> None:
        """Replace a caller's bucket."""
        name = int.from_bytes(hashlib.blake2b(caller.encode(), digest_size=8).digest()) | 1  # 0 is none
        places = (name % SLOTS + np.arange(LOOKED_AT)) % SLOTS
        with self._lock:
            fcntl.flock(self._handle, fcntl.LOCK_EX)
            try:
                slots = self._slots[places]
                own = np.flatnonzero(slots["caller"] == name)
                place = int(own[0] if len(own) else np.where(slots["caller"] == 0, -np.inf, slots["at"]).argmin())
                bucket = how(Bucket(float(slots["left"][place]), float(slots["at"][place])) if len(own) else None)
                if bucket is not None:
                    self._slots[places[place]] = (name, *bucket)
            finally:
                fcntl.flock(self._handle, fcntl.LOCK_UN)
