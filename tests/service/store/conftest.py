"""The same tests on both databases: an SQLite file, and a real PostgreSQL server started here on a loopback port."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import Engine

from service.store.opening import SQLITE_FILE, Store, engine_for, store_url
from service.store.schema import Base
from service.store.upgrading import newest_revision, open_store

POSTGRES_FOLDERS = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda folder: int(folder.parent.name))
_numbers = count(1)


def postgres_program(name: str) -> str:
    found = shutil.which(name, path=os.pathsep.join([*map(str, reversed(POSTGRES_FOLDERS)), os.environ["PATH"]]))
    if found is None:
        pytest.fail(f"There is no PostgreSQL server here ({name} not found): install the package postgresql.", False)
    return found


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """URL of a running server, without the name of a database. It refuses to run as root, so another user does."""
    initdb, pg_ctl = postgres_program("initdb"), postgres_program("pg_ctl")
    folder = Path(tempfile.mkdtemp(prefix="tideover-postgres-"))
    user = {}
    if os.geteuid() == 0:
        owner = pwd.getpwnam("postgres")
        os.chown(folder, owner.pw_uid, owner.pw_gid)
        user = {"user": owner.pw_uid, "group": owner.pw_gid, "extra_groups": ()}
    data = folder / "data"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]

    def run(*arguments: object) -> None:
        done = subprocess.run(
            [*map(str, arguments)], cwd=folder, capture_output=True, text=True, env={"LC_ALL": "C.UTF-8"}, **user
        )
        assert done.returncode == 0, done.stdout + done.stderr

    try:
        run(initdb, "--pgdata", data, "--auth", "trust", "--username", "tideover", "--encoding", "UTF8", "--no-sync")
        # Only the tests' own processes are killed here, never the server: it need not wait for the disk.
        # Nothing is tidied while they run, so that rows lie as they came.
        options = f"-h 127.0.0.1 -p {port} -k {folder} -c fsync=off -c autovacuum=off -c max_connections=200"
        run(pg_ctl, "start", "--pgdata", data, "--wait", "--log", folder / "log", "--options", options)
        yield f"postgresql://tideover@127.0.0.1:{port}"
    finally:
        with contextlib.suppress(AssertionError):
            run(pg_ctl, "stop", "--pgdata", data, "--mode", "immediate")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def postgres_template(postgres: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A database with the schema, to be copied for each test."""
    with psycopg.connect(f"{postgres}/postgres", autocommit=True) as connection:
        connection.execute("CREATE DATABASE template_of_tests")
    open_store(tmp_path_factory.mktemp("unused"), f"{postgres}/template_of_tests").close()
    return "template_of_tests"


@dataclass(frozen=True)
class SharedTables:
    """The PostgreSQL database that tests use one after the other: making one for each takes far longer.

    Attributes
    ----------
    engine : Engine
        To make a `Store` of: to open one anew takes longer than most tests have to ask of it.
    emptying : psycopg.Connection
    """

    url: str
    engine: Engine
    emptying: psycopg.Connection

    def empty(self) -> None:
        """Take all rows out and count from one again. To drop the files of every table takes a hundred times longer."""
        tables = [table.name for table in reversed(Base.metadata.sorted_tables)]
        gone = {table: self.emptying.execute(f"DELETE FROM {table}").rowcount for table in tables}
        if large := [table for table, rows in gone.items() if rows > 500]:  # what was deleted is still passed over
            self.emptying.execute(f"TRUNCATE {', '.join(large)} CASCADE")
        self.emptying.execute(
            "SELECT setval(format('%I', sequencename)::regclass, 1, false) FROM pg_sequences WHERE last_value > 0"
        )
        self.emptying.execute("UPDATE alembic_version SET version_num = %s", [newest_revision()])


@pytest.fixture(scope="session")
def postgres_tables(postgres: str, postgres_template: str) -> Iterator[SharedTables]:
    with psycopg.connect(f"{postgres}/postgres", autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE shared TEMPLATE {postgres_template}")
    url = f"{postgres}/shared"
    with psycopg.connect(url, autocommit=True) as emptying:
        yield SharedTables(url, engine_for(store_url(Path(), url)), emptying)


@pytest.fixture(params=["sqlite", "postgresql"])
def backend(request: pytest.FixtureRequest) -> str:
    return request.param


@pytest.fixture
def make_database(request: pytest.FixtureRequest) -> Callable[..., str]:
    """Make a PostgreSQL database, with the schema or empty, and return its URL."""

    def make(*, empty: bool = False) -> str:
        server = request.getfixturevalue("postgres")
        template = "template0" if empty else request.getfixturevalue("postgres_template")
        name = f"test_{next(_numbers)}"
        with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
        return f"{server}/{name}"

    return make


@pytest.fixture
def empty_database(make_database: Callable[..., str], backend: str) -> str | None:
    """What to hand to `open_store` for a database without any table."""
    return None if backend == "sqlite" else make_database(empty=True)


@pytest.fixture
def database(request: pytest.FixtureRequest, backend: str, tmp_path: Path) -> str | None:
    """What to hand to `open_store` for a database with the schema and no record in it; its home is `tmp_path`."""
    if backend == "sqlite":
        shutil.copy(request.getfixturevalue("empty_store_file"), tmp_path / SQLITE_FILE)
        return None
    shared: SharedTables = request.getfixturevalue("postgres_tables")
    shared.empty()
    return shared.url


@pytest.fixture
def store(request: pytest.FixtureRequest, tmp_path: Path, database: str | None, backend: str) -> Iterator[Store]:
    is_sqlite = backend == "sqlite"
    store = open_store(tmp_path) if is_sqlite else Store(request.getfixturevalue("postgres_tables").engine)
    yield store
    store.close()
