"""The number of OpenMP threads, stated around every fit and forecast."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache

import sklearn.ensemble  # noqa: F401  loads the OpenMP library that the controller must find
from threadpoolctl import ThreadpoolController


@contextmanager
def thread_limit(threads: int) -> Iterator[None]:
    """Hold OpenMP to `threads` threads inside the block, in the calling thread.

    Default thread counts on a busy machine have stalled gradient boosting for minutes. The list of thread pools is
    looked up once: that costs more than forecasting one pack.
    """
    with _pools().limit(limits=threads, user_api="openmp"):
        yield


@lru_cache(maxsize=1)
def _pools() -> ThreadpoolController:
    return ThreadpoolController()
