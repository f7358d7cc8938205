"""The schema of the store: made when there is none, and brought up to date on request."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any, Final

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import JSON, Connection, DateTime, MetaData, Table, event, func, inspect, select, text
from sqlalchemy.exc import DatabaseError

from models.base.errors import BadInput
from service.store.opening import Store, engine_for, store_url
from service.store.trouble import told_trouble
from service.store.types import Json, UtcTime

_LOCK: Final = 7433
"""Number of the PostgreSQL advisory lock under which one process at a time changes the schema."""


def open_store(home: Path, database: str | None = None) -> Store:
    """Open the store; an empty database gets the schema.

    Parameters
    ----------
    home : Path
        The state folder.
    database : str, optional
        URL of a PostgreSQL database, instead of an SQLite file in `home`.

    Raises
    ------
    BadInput
        The database cannot be reached, or its schema is not the one this program works with.
    """
    store = open_at_any_schema(home, database)
    try:
        with told_plainly():
            _require_schema(store)
    except BaseException:
        store.close()
        raise
    return store


def open_at_any_schema(home: Path, database: str | None = None) -> Store:
    """Open the store as it is, for what works at every schema: to back it up, to fill it from a backup, to upgrade it.

    Raises
    ------
    BadInput
        The database cannot be reached, is damaged, or belongs to another program.
    """
    store = Store(engine_for(store_url(home, database)))
    try:
        with told_plainly():
            schema_revision(store)
    except BaseException:
        store.close()
        raise
    return store


@contextmanager
def told_plainly() -> Iterator[None]:
    """Turn what stands between us and the database into `BadInput`."""
    try:
        yield
    except DatabaseError as error:
        if (problem := told_trouble(error)) is None:
            raise
        raise BadInput([problem]) from error


def _require_schema(store: Store) -> None:
    found = schema_revision(store)
    if found is None:
        upgrade(store)
        found = schema_revision(store)
    if found != (needed := newest_revision()):
        older = found in known_revisions()
        mend = "Make a backup with `tideover backup`, then run `tideover store upgrade`."
        raise BadInput.one(
            "the database",
            f"Its schema is {found}, this program needs {needed}.",
            mend if older else "Use the program that last used this database, or a newer one.",
        )


@cache
def newest_revision() -> str:
    """Name the schema this program works with."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    assert head is not None
    return head


@cache
def known_revisions() -> frozenset[str]:
    """Name every schema that this program can bring up to date, the newest included."""
    return frozenset(script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions())


def schema_revision(store: Store) -> str | None:
    """Name the schema that a database has; None if it is empty.

    Raises
    ------
    BadInput
        The database belongs to another program.
    """
    with store.engine.connect() as connection:
        return revision_of(connection)


def upgrade(store: Store, revision: str = "head") -> None:
    """Bring the schema forward, all of it or nothing; what is there already is left alone."""
    with _changing(store) as connection:
        command.upgrade(_config(connection), revision)


def downgrade(store: Store, revision: str) -> None:
    """Take the schema back; what the older one has no place for is lost."""
    with _changing(store) as connection:
        command.downgrade(_config(connection), revision)


@contextmanager
def of_empty_store(store: Store, revision: str) -> Iterator[Connection]:
    """Bring an empty store to a schema for the block, and to the newest after it: all of it, or nothing.

    Raises
    ------
    BadInput
        The store is not empty.
    """
    with _changing(store) as connection:
        found = revision_of(connection)
        if found is not None:
            for table in tables_of(connection):
                if not store.is_sqlite:  # where others might write between this look and the end
                    connection.execute(text(f'LOCK TABLE "{table.name}" IN ACCESS EXCLUSIVE MODE'))
                if connection.scalar(select(func.count()).select_from(table)):
                    mend = "Restore into a new home or a new database."
                    raise BadInput.one(table.name, "The store is not empty.", mend)
            if found != revision:
                command.downgrade(_config(connection), "base")
        command.upgrade(_config(connection), revision)
        yield connection
        command.upgrade(_config(connection), "head")


def tables_of(connection: Connection) -> list[Table]:
    """Return the tables as they stand in the database, at whatever schema; those first that others refer to."""
    found = MetaData()

    @event.listens_for(found, "column_reflect")
    def as_stored(_inspector: Any, _table: Any, column: Any) -> None:
        # The two kinds that the databases themselves hand back in other ways than they were handed in.
        if isinstance(column["type"], DateTime):
            column["type"] = UtcTime()
        elif isinstance(column["type"], JSON):
            column["type"] = Json

    found.reflect(connection)
    return [table for table in found.sorted_tables if table.name != "alembic_version"]


@contextmanager
def _changing(store: Store) -> Iterator[Connection]:
    with store.engine.execution_options(writes=True).connect() as connection:
        driver: Any = connection.connection.driver_connection
        if store.is_sqlite:
            # Altering a table means copying it, which references to it must survive. Not to be changed inside a
            # transaction; a connection from the pool has it on again only if we say so.
            driver.execute("PRAGMA foreign_keys=OFF")
        try:
            with connection.begin():
                if not store.is_sqlite:
                    connection.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": _LOCK})
                yield connection
        finally:
            if store.is_sqlite:
                driver.execute("PRAGMA foreign_keys=ON")


def revision_of(connection: Connection) -> str | None:
    """Name the schema that a database has, as seen by a connection; errors as for `schema_revision`."""
    found = MigrationContext.configure(connection).get_current_revision()
    if found is None and (tables := inspect(connection).get_table_names()) and tables != ["alembic_version"]:
        raise BadInput.one(
            "the database",
            f"It holds the tables of another program ({tables[0]}).",
            "Give Tideover a database of its own.",
        )
    return found


def _config(connection: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config
