"""What can stand in the way of a write, or of finding a record, besides wrong input."""

from __future__ import annotations

from models.base.errors import TideoverError


class NoSuchRecord(TideoverError):
    """There is no record of that name or number."""


class Conflict(TideoverError):
    """The write is sound in itself, but what is stored already speaks against it."""


class Outdated(TideoverError):
    """The record has changed since the caller read it."""
