"""The number of threads of the numerical libraries, stated around every fit and forecast."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache

import sklearn.ensemble  # noqa: F401  loads the OpenMP library that the controller must find
from threadpoolctl import ThreadpoolController


@contextmanager
def thread_limit(threads: int) -> Iterator[None]:
    """Hold OpenMP (in the calling thread) and BLAS (in the process) to `threads` threads inside the block.

    Default thread counts on a busy machine have stalled gradient boosting for minutes, and fits of small regressions
    as well. The list of thread pools is looked up once: that costs more than forecasting one pack.
    """
    with _pools().limit(limits=threads):
        yield


@lru_cache(maxsize=1)
def _pools() -> ThreadpoolController:
    return ThreadpoolController()
