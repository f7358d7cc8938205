"""Work spread over the workers of a Dask scheduler, instead of processes of this machine."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from joblib import parallel_config

from models.base.errors import BadInput

CONNECT_SECONDS: Final = 10

WORKER_SECONDS: Final = 120
"""How long to wait for the first worker of a scheduler: they take their time to start on a busy machine."""


@contextmanager
def spread_over(scheduler: str | None) -> Iterator[None]:
    """Let joblib's work be done by the workers of a Dask scheduler while the block runs.

    What comes of it is the same: each piece of work has its own seed, and pieces are put together in their order. A
    worker that is lost is replaced by another.

    Parameters
    ----------
    scheduler : str or None
        Its address; without one the work stays on this machine. All its workers are used, however many were asked for.

    Raises
    ------
    BadInput
        The package is not there, or the scheduler does not answer.
    """
    if scheduler is None:
        yield
        return
    try:
        from distributed import Client
    except ImportError:
        raise BadInput.one(
            "scheduler", "needs the package distributed.", "Install it: pip install 'tideover[dask]'."
        ) from None
    try:
        client: Any = Client(scheduler, timeout=CONNECT_SECONDS)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise BadInput.one(
            "scheduler", f"{scheduler} does not answer ({error}).", "Start one: dask scheduler."
        ) from None
    with client, parallel_config(backend="dask", wait_for_workers_timeout=WORKER_SECONDS):
        yield
