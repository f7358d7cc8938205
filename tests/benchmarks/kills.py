"""A process killed at random, and fresh homes and databases for it to be killed in."""

from __future__ import annotations

import os
import random
import select
import shutil
import signal
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from secrets import token_hex

import psycopg

Told = Callable[[], object]


def killed(work: Callable[[Told], None], within_s: float, rng: random.Random) -> int | None:
    """Do something in a process of its own, and kill it at random within a time of its first word.

    Parameters
    ----------
    work : callable
        Says a first word when it begins, and one for each thing that it acknowledges.

    Returns
    -------
    int or None
        How many it acknowledged; None where it ended by itself before.
    """
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(out)
        try:
            work(lambda: os.write(into, b"."))
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    os.close(into)
    select.select([out], [], [], 60)
    time.sleep(rng.uniform(0, within_s))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    words = 0
    while part := os.read(out, 65_536):
        words += len(part)
    os.close(out)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "it failed before it was killed"
    return words - 1 if os.WIFSIGNALED(status) else None


class Place:
    """Where it all happens: an SQLite file in a home, or databases of a PostgreSQL server.

    Parameters
    ----------
    folder : Path
    server : str, optional
        URL of an empty database.
    """

    def __init__(self, folder: Path, server: str | None) -> None:
        self.folder = folder
        self.server = server
        self._made = 0
        self._name = f"crash_{token_hex(4)}"
        self._databases: set[str] = set()

    def home(self) -> Path:
        """Make a home that nobody has used."""
        self._made += 1
        home = self.folder / f"home-{self._made}"
        home.mkdir(mode=0o700)
        return home

    def database(self, template: str | None = None) -> str | None:
        """Make a database, empty or like another; None where it is a file in the home."""
        if self.server is None:
            return None
        self._made += 1
        name = f"{self._name}_{self._made}"
        like = "template0" if template is None else template.rpartition("/")[2]
        with psycopg.connect(self.server, autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name} TEMPLATE {like}")
        self._databases.add(name)
        return f"{self.server.rpartition('/')[0]}/{name}"

    def drop(self, home: Path, database: str | None) -> None:
        """Remove a home and its database."""
        shutil.rmtree(home)
        if database is not None:
            self._drop({database.rpartition("/")[2]})

    def close(self) -> None:
        """Remove every database that is left."""
        self._drop(set(self._databases))

    def _drop(self, names: set[str]) -> None:
        for name in names:
            with psycopg.connect(self.server, autocommit=True) as connection:
                connection.execute(f"DROP DATABASE {name} WITH (FORCE)")
        self._databases -= names
