"""The model that answers: the registry's current one, loaded once and again after a promotion."""

from __future__ import annotations

from threading import Lock
from typing import Protocol

from models.forecaster import Forecaster
from training.registry import ModelRegistry, StoredModel


class ModelSource(Protocol):
    """Whatever can say which model answers now."""

    def current(self) -> StoredModel:
        """Return the model; `models.problems.ModelRefused` if there is none that may be used."""
        ...


class RegistrySource:
    """The registry's current model, kept in memory until another one is promoted.

    Parameters
    ----------
    registry : ModelRegistry
    """

    def __init__(self, registry: ModelRegistry) -> None:
        self._registry = registry
        self._lock = Lock()
        self._loaded: StoredModel | None = None

    def current(self) -> StoredModel:
        """Return the current model, checked and loaded if it is not yet; errors as for `ModelRegistry.load`."""
        with self._lock:
            if self._loaded is None or self._registry.current_id() != self._loaded.manifest.model_id:
                self._loaded = self._registry.load_current(Forecaster)
            return self._loaded
