"""What every command starts from: the settings, the registry, the families."""

from __future__ import annotations

import os
from typing import Any

from models.problems import Problem
from service.cli.printing import print_problems
from service.settings import Settings
from training.registry import ModelRegistry


def settings_here(**options: Any) -> Settings:
    """Read the settings from the environment; options of the command line come first."""
    return Settings.from_environment(os.environ, **options)


def registry_here(settings: Settings) -> ModelRegistry:
    """Open the registry; loose permissions are reported on standard error."""

    def warn(problem: Problem) -> None:
        print_problems([problem])

    return ModelRegistry(settings.models_dir, warn)
