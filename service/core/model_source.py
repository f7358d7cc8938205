"""The model that answers: the registry's current one, loaded once and again after a promotion."""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock
from time import monotonic
from typing import Final, Protocol

from models.base.errors import ModelRefused
from models.forecaster import Forecaster
from training.registry import ModelRegistry, StoredModel

RETRY_SECONDS: Final = 30.0
"""After which a model that was refused is tried again: its folder may have been mended."""


class ModelSource(Protocol):
    """Whatever can say which model answers now."""

    def current(self) -> StoredModel:
        """Return the model; `models.base.errors.ModelRefused` if there is none that may be used."""
        ...


class RegistrySource:
    """The registry's current model, kept in memory until another one is promoted.

    A promotion is taken up by the next request: one of them loads and checks the new model while the others are still
    answered by the old one. If the new one is refused the old one goes on answering, the registry's `warn` is told
    why, and it is tried again after `RETRY_SECONDS` or when another one is promoted.

    Parameters
    ----------
    clock : callable
        Seconds that only rise.
    """

    def __init__(self, registry: ModelRegistry, clock: Callable[[], float] = monotonic) -> None:
        self._registry = registry
        self._clock = clock
        self._loading = Lock()
        self._loaded: StoredModel | None = None
        self._refused: tuple[str | None, float] | None = None

    def current(self) -> StoredModel:
        """Return the model that answers, checked and loaded if it is not yet.

        Raises
        ------
        ModelRefused
            There is none that may be used, and none was loaded before.
        """
        before = self._loaded
        if before is None:
            with self._loading:
                if self._loaded is None:
                    self._loaded = self._registry.load_current(Forecaster)
                return self._loaded
        wanted: str | None = None
        try:
            wanted = self._registry.current_id()
            if wanted is None or wanted == before.manifest.model_id or not self._due(wanted):
                return before
            # Whoever comes second need not wait: the old model is as good as it was a moment ago.
            if not self._loading.acquire(blocking=False):
                return before
            try:
                found = self._loaded
                if found is None or found.manifest.model_id != wanted:
                    found = self._registry.load_current(Forecaster)
                self._loaded, self._refused = found, None
                return found
            finally:
                self._loading.release()
        except ModelRefused as error:
            if self._due(wanted):
                self._refused = (wanted, self._clock())
                self._registry.warn(error.args[0])
            return before

    def _due(self, wanted: str | None) -> bool:
        return self._refused is None or self._refused[0] != wanted or self._clock() - self._refused[1] >= RETRY_SECONDS
