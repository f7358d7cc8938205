"""What every command starts from: the settings, the registry, the families."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from models.base.errors import Problem
from service.cli.printing import print_problems
from service.core.settings import Settings

if TYPE_CHECKING:
    from service.store.opening import Store
    from training.registry import ModelRegistry


COMMAND_LINE: Final = "command line"
"""Who wrote what is written from here."""


def settings_here(**options: Any) -> Settings:
    """Read the settings from the environment; options of the command line come first."""
    return Settings.from_environment(os.environ, **options)


def registry_here(settings: Settings) -> ModelRegistry:
    """Open the registry; why a model is not taken up is told on standard error."""
    from training.registry import ModelRegistry

    def warn(problem: Problem) -> None:
        print_problems([problem])

    return ModelRegistry(settings.models_dir, warn)


@contextmanager
def open_store_here(settings: Settings, *, any_schema: bool = False) -> Iterator[Store]:
    """Open the store while the block runs; unless of any schema, it has the one that this program works with."""
    from service.store.upgrading import open_at_any_schema, open_store

    store = (open_at_any_schema if any_schema else open_store)(settings.home, settings.database_url)
    try:
        yield store
    finally:
        store.close()
