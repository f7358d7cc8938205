"""What a store holds, table by table: sent over REST once, put into the stores of later tests as rows."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Table, func, insert, select

from service.store.opening import Store
from service.store.schema import Base

Rows = list[tuple[Table, list[dict[str, Any]]]]


def rows_in(store: Store) -> Rows:
    """Return the rows of each table that holds any, in an order in which they can be put in."""
    with store.reading() as session:
        found = [(table, session.execute(select(table)).mappings().all()) for table in Base.metadata.sorted_tables]
        return [(table, [dict(row) for row in rows]) for table, rows in found if rows]


def put_rows(store: Store, kept: Rows) -> None:
    """Put rows into an empty store; PostgreSQL is told from which number on to count."""
    with store.writing() as session:
        for table, rows in kept:
            session.execute(insert(table), rows)
            counted = table.autoincrement_column
            if session.get_bind().dialect.name == "postgresql" and counted is not None:
                sequence = func.pg_get_serial_sequence(table.name, counted.name)
                session.execute(select(func.setval(sequence, max(row[counted.name] for row in rows))))
