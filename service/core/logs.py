"""The log: one JSON line an event, on standard error, never with what a user sent in."""

from __future__ import annotations

import logging
import sys
from typing import Any

import structlog


def make_log(level: str) -> Any:
    """Return a structured log that drops everything below a level.

    Nothing global is configured, so two applications in one process can log differently.
    """
    return structlog.wrap_logger(
        structlog.WriteLogger(sys.stderr),
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[level.upper()]),
    )
