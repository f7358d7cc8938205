"""Many rows at once: COPY on PostgreSQL, one statement carried out many times on SQLite."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, cast

from sqlalchemy import Column, ColumnElement, Insert, MetaData, Table, bindparam, func, insert, select, text, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.store.schema import Base

Row = Mapping[str, Any]


def table_of(kind: type[Base]) -> Table:
    """Return the table of a kind of record."""
    return cast(Table, kind.__table__)


def free_numbers(session: Session, table: Table, count: int) -> list[int]:
    """Return numbers for rows to come of a table that numbers its rows; nobody else gets them."""
    if _is_sqlite(session):
        # No other writer runs meanwhile; the number stored with a row is noted as the newest by the database itself.
        newest = session.scalar(text("SELECT seq FROM sqlite_sequence WHERE name = :name"), {"name": table.name}) or 0
        return list(range(newest + 1, newest + 1 + count))
    sequence = func.nextval(func.pg_get_serial_sequence(table.name, "id"))
    return list(session.scalars(select(sequence).select_from(func.generate_series(1, count).alias())))


def add_rows(session: Session, table: Table, rows: Sequence[Row]) -> None:
    """Store new rows, all with the same columns."""
    if not rows:
        return
    if _is_sqlite(session):
        session.execute(insert(table), rows)
    else:
        _copy(session, table, table.name, rows)


def put_rows(session: Session, table: Table, rows: Sequence[Row], *, newer_by: str) -> None:
    """Store rows, or change those that are there already and are not newer.

    Parameters
    ----------
    rows : sequence of mapping
        All columns of the table, no two with the same key.
    newer_by : str
        The column that tells which of two is newer.
    """
    if not rows:
        return
    key = [column.name for column in table.primary_key]
    if _is_sqlite(session):
        session.execute(_changing(sqlite.insert(table), table, key, newer_by), rows)
        return
    held = _beside(session, table, list(rows[0]))
    _copy(session, table, held.name, rows)
    stored = postgresql.insert(table).from_select(list(rows[0]), select(*held.columns))
    session.execute(_changing(stored, table, key, newer_by))
    held.drop(session.connection())


def change_rows(session: Session, table: Table, rows: Sequence[Row]) -> None:
    """Change some columns of rows that are there, each named by its key."""
    if not rows:
        return
    key = [column.name for column in table.primary_key]
    others = [name for name in rows[0] if name not in key]
    if _is_sqlite(session):
        # A name of a column cannot also be that of a value to find the row by.
        where: list[ColumnElement[bool]] = [table.c[name] == bindparam(f"of_{name}") for name in key]
        change = update(table).where(*where).values({name: bindparam(name) for name in others})
        values = [{**{name: row[name] for name in others}, **{f"of_{n}": row[n] for n in key}} for row in rows]
        session.connection().execute(change, values)
        return
    held = _beside(session, table, list(rows[0]))
    _copy(session, table, held.name, rows)
    session.connection().execute(
        update(table)
        .where(*(table.c[name] == held.c[name] for name in key))
        .values({name: held.c[name] for name in others})
    )
    held.drop(session.connection())


def _is_sqlite(session: Session) -> bool:
    return session.get_bind().dialect.name == "sqlite"


def _changing(stored: Any, table: Table, key: Iterable[str], newer_by: str) -> Insert:
    changed = {name: stored.excluded[name] for name in (c.name for c in table.columns) if name not in key}
    older = table.c[newer_by] <= stored.excluded[newer_by]
    return cast(Insert, stored.on_conflict_do_update(index_elements=list(key), set_=changed, where=older))


def _beside(session: Session, table: Table, columns: Sequence[str]) -> Table:
    """Make a table that lasts until the end of the session's work, with some columns of another."""
    some = [Column(name, table.c[name].type) for name in columns]
    held = Table(f"{table.name}_beside", MetaData(), *some, prefixes=["TEMPORARY"], postgresql_on_commit="DROP")
    held.create(session.connection())
    return held


def _copy(session: Session, table: Table, into: str, rows: Sequence[Row]) -> None:
    names = list(rows[0])
    dialect = session.get_bind().dialect
    write = [table.c[name].type.dialect_impl(dialect).bind_processor(dialect) for name in names]
    driver: Any = session.connection().connection.driver_connection
    listed = ", ".join(f'"{name}"' for name in names)
    with driver.cursor() as cursor, cursor.copy(f'COPY "{into}" ({listed}) FROM STDIN') as copy:
        for row in rows:
            copy.write_row([value if to is None else to(value) for value, to in zip(row.values(), write, strict=True)])
