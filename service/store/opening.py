"""Opening the store: SQLite in the state folder unless a PostgreSQL URL is given."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from threading import BoundedSemaphore, Lock
from typing import Any, Final
from urllib.parse import quote

from pydantic_core import from_json, to_json
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DisconnectionError, OperationalError
from sqlalchemy.orm import Session

from models.base.errors import BadInput

SQLITE_FILE: Final = "tideover.sqlite3"
BUSY_SECONDS: Final = 10
"""How long a writer waits for another one before it gives up."""

WRITERS_WAITING: Final = 30
"""Writers that wait for their turn; more are told that the store is busy. The web server runs 40 requests at once."""

_FILE: Final = "file"


def _json_text(value: Any) -> str:
    return to_json(value).decode()


_JSON: Final = {"json_serializer": _json_text, "json_deserializer": from_json}
"""Every number comes back as it was, as with the standard library, in a fraction of the time."""

POOL: Final = 20
"""Connections kept; as many again for a rush. The web server runs 40 requests at once."""


class Store:
    """The database behind the service, seen as two kinds of transactions.

    Parameters
    ----------
    engine : Engine
        From `engine_for`.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._writers = engine.execution_options(writes=True)
        self._hasty = engine.execution_options(writes=True, wait_s=0)
        self._waiting = BoundedSemaphore(WRITERS_WAITING)
        # SQLite has one writer at a time and wakes the waiting ones unfairly; queueing here keeps the wait short.
        self._turn = Lock()

    @property
    def is_sqlite(self) -> bool:
        """Whether this is the embedded database."""
        return self.engine.dialect.name == "sqlite"

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Open a session that sees one state of the store and changes nothing."""
        with Session(self.engine, autoflush=False) as session:
            yield session

    @contextmanager
    def writing(self, *, wait: bool = True) -> Iterator[Session]:
        """Open a session whose changes are stored together at the end, or not at all.

        Parameters
        ----------
        wait : bool
            Whether to wait while somebody else writes, `BUSY_SECONDS` at most; else that is an error at once.

        Raises
        ------
        OperationalError
            The database cannot be reached, or is written by others for too long, or too many wait for that already.
        """
        with (
            self._own_turn(wait=wait),
            Session(self._writers if wait else self._hasty, expire_on_commit=False) as session,
            session.begin(),
        ):
            yield session

    @contextmanager
    def _own_turn(self, *, wait: bool) -> Iterator[None]:
        if not self.is_sqlite:
            yield
            return
        # Whoever waits holds a thread of the server, of which readers need some too.
        if not self._waiting.acquire(blocking=False):
            raise _busy("too many wait to write")
        try:
            mine = self._turn.acquire(timeout=BUSY_SECONDS) if wait else self._turn.acquire(blocking=False)
        finally:
            self._waiting.release()
        if not mine:
            raise _busy("others write for too long")
        try:
            yield
        finally:
            self._turn.release()

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()


def _busy(reason: str) -> OperationalError:
    return OperationalError("BEGIN IMMEDIATE", None, TimeoutError(reason))


def store_url(home: Path, database: str | None) -> URL:
    """Return the database's URL.

    Raises
    ------
    BadInput
        It is no URL, or of another kind of database.
    """
    if database is None:
        return URL.create("sqlite", database=str(home / SQLITE_FILE))
    where, mend = "TIDEOVER_DATABASE", "Write postgresql://user@host/name, or leave it out for a file of its own."
    try:
        url = make_url(database)
    except ArgumentError:
        raise BadInput.one(where, "It is not the URL of a database.", mend) from None
    if url.drivername not in ("postgresql", "postgresql+psycopg"):
        raise BadInput.one(where, f"Databases of the kind {url.drivername} are not supported.", mend)
    return url.set(drivername="postgresql+psycopg")


def engine_for(url: URL) -> Engine:
    """Make the engine; nothing is connected yet, but the folder of an SQLite file is made."""
    if url.get_backend_name() != "sqlite":
        return create_engine(url, pool_size=POOL, max_overflow=POOL, pool_pre_ping=True, **_JSON)
    path = Path(str(url.database))
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    if not path.exists():
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))

    def connect() -> sqlite3.Connection:
        # A file that is gone is not made anew: what is written into an empty one is missing where it is looked for.
        address = f"file:{quote(str(path))}?mode=rw"
        return sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS, check_same_thread=False)

    engine = create_engine(url, pool_size=POOL, max_overflow=POOL, creator=connect, **_JSON)
    event.listen(engine, "connect", partial(_prepare_sqlite, path))
    event.listen(engine, "checkout", partial(_require_same_file, path))
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(path: Path, connection: Any, record: Any) -> None:
    record.info[_FILE] = _identity(path)
    # The driver's own transactions begin too late, and upgrade from reading to writing: we begin them ourselves.
    connection.isolation_level = None
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", f"busy_timeout={BUSY_SECONDS * 1000}"):
        connection.execute(f"PRAGMA {pragma}")


def _require_same_file(path: Path, _connection: Any, record: Any, _proxy: Any) -> None:
    if record.info[_FILE] != _identity(path):
        # The file was moved away or replaced: the old one goes on to take writes that nobody finds. Connect anew.
        raise DisconnectionError("the database's file is another one now")


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        facts = path.stat()
    except FileNotFoundError:
        return None
    return facts.st_dev, facts.st_ino


def _begin_sqlite(connection: Connection) -> None:
    options = connection.get_execution_options()
    connection.exec_driver_sql(f"PRAGMA busy_timeout={options.get('wait_s', BUSY_SECONDS) * 1000}")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if options.get("writes", False) else "BEGIN")
