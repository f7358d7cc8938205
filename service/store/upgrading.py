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
from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import OperationalError

from models.base.errors import BadInput
from service.store.opening import Store, engine_for, store_url

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
    store = Store(engine_for(store_url(home, database)))
    try:
        _require_schema(store)
    except OperationalError as error:
        store.close()
        raise BadInput.one(
            "TIDEOVER_DATABASE",
            f"The database cannot be opened: {str(error.orig).strip().splitlines()[0]}.",
            "Check that it runs and that the address and the rights are correct.",
        ) from error
    except BaseException:
        store.close()
        raise
    return store


def _require_schema(store: Store) -> None:
    found = schema_revision(store)
    if found is None:
        upgrade(store)
        found = schema_revision(store)
    if found != (needed := newest_revision()):
        older = found in {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
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


def schema_revision(store: Store) -> str | None:
    """Name the schema that a database has; None if it is empty.

    Raises
    ------
    BadInput
        The database belongs to another program.
    """
    with store.engine.connect() as connection:
        return _revision(connection)


def upgrade(store: Store, revision: str = "head") -> None:
    """Bring the schema forward, all of it or nothing; what is there already is left alone."""
    with _changing(store) as config:
        command.upgrade(config, revision)


def downgrade(store: Store, revision: str) -> None:
    """Take the schema back; what the older one has no place for is lost."""
    with _changing(store) as config:
        command.downgrade(config, revision)


@contextmanager
def _changing(store: Store) -> Iterator[Config]:
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
                yield _config(connection)
        finally:
            if store.is_sqlite:
                driver.execute("PRAGMA foreign_keys=ON")


def _revision(connection: Connection) -> str | None:
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
