"""A table of records page by page."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.errors import BadInput
from service.store.schema import (
    Base,
)


def list_page(
    session: Session, table: type[Base], conditions: Sequence[Any], limit: int, cursor: str | None
) -> tuple[list[Any], str | None]:
    """Return one page of a table in the order of its names or numbers, and the cursor of the next page.

    Pages go by the last record seen, not by counting, so records that come or go meanwhile neither hide nor repeat
    others.

    Raises
    ------
    BadInput
        The cursor is not one that was given out for this table.
    """
    key = table.__table__.c.id
    query = select(table).where(*conditions).order_by(key).limit(limit + 1)
    if cursor is not None:
        query = query.where(key > _read_cursor(table, cursor))
    rows: list[Any] = list(session.scalars(query))
    more = len(rows) > limit
    return rows[:limit], _write_cursor(table, rows[limit - 1].id) if more else None


def _write_cursor(table: type[Base], last: int | str) -> str:
    return base64.urlsafe_b64encode(json.dumps([table.__tablename__, last]).encode()).decode().rstrip("=")


def _read_cursor(table: type[Base], cursor: str) -> int | str:
    try:
        name, last = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        if (
            name == table.__tablename__
            and isinstance(last, table.__table__.c.id.type.python_type)
            and _write_cursor(table, last) == cursor
        ):
            return last  # type: ignore[no-any-return]
    except (ValueError, TypeError):
        pass
    raise BadInput.one(
        "query.cursor", "It is not a cursor of this list.", "Send `next_cursor` of the page before, or leave it out."
    )
