"""The command line: ``tideover``."""

from service.cli.program import main

__all__ = ["main"]
