"""The time now: the one clock of whatever is not handed another."""

from __future__ import annotations

from datetime import UTC, datetime


def now_utc() -> datetime:
    """Return the time now, with offset."""
    return datetime.now(UTC)
