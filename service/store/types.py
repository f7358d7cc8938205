"""Column types that mean the same in SQLite and PostgreSQL."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final

from sqlalchemy import JSON, BigInteger, DateTime, Dialect, Integer
from sqlalchemy.types import TypeDecorator, TypeEngine

RowId: Final[TypeEngine[int]] = BigInteger().with_variant(Integer, "sqlite")
"""SQLite numbers rows by itself only in a column declared INTEGER."""

Json: Final[JSON] = JSON(none_as_null=True)
"""Text in both, so that a stored answer comes back with the same digits."""


class UtcTime(TypeDecorator[datetime]):
    """A moment: aware on the way in, UTC and aware on the way out.

    SQLite keeps no offset and hands times back naive, so UTC is what is written there.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    @property
    def python_type(self) -> type[datetime]:
        """What comes back."""
        return datetime

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn a moment into UTC; a naive one is a fault of ours, as input is checked before."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without offset cannot be stored")
        moment = value.astimezone(UTC)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return a moment in UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if dialect.name == "sqlite" else value.astimezone(UTC)
