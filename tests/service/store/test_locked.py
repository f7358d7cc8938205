"""A database that somebody else has locked: writers are told soon, readers go on."""

from __future__ import annotations

import sqlite3
import threading
import time

import pytest
from sqlalchemy import text
from sqlalchemy.exc import OperationalError

from service.store import opening
from service.store.opening import SQLITE_FILE
from service.store.upgrading import open_store


@pytest.fixture
def locked(tmp_path, monkeypatch):
    """A store that another process writes to for as long as the test lasts."""
    monkeypatch.setattr(opening, "BUSY_SECONDS", 1)
    store = open_store(tmp_path)
    other = sqlite3.connect(tmp_path / SQLITE_FILE, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    yield store
    other.execute("ROLLBACK")
    other.close()
    store.close()


def test_many_writers_wait_side_by_side_and_not_one_after_the_other(locked):
    told = []

    def write() -> None:
        try:
            with locked.writing() as session:
                session.execute(text("SELECT 1"))
        except OperationalError:
            told.append(time.monotonic())

    writers = [threading.Thread(target=write) for _ in range(opening.WRITERS_WAITING + 15)]
    began = time.monotonic()
    for writer in writers:
        writer.start()
    with locked.reading() as session:
        assert session.execute(text("SELECT 1")).scalar() == 1
    for writer in writers:
        writer.join()
    assert len(told) == len(writers)
    # One after the other they would take 45 s.
    assert max(told) - began < 20


def test_what_need_not_be_written_does_not_wait(locked):
    began = time.process_time(), time.monotonic()
    with pytest.raises(OperationalError), locked.writing(wait=False) as session:
        session.execute(text("SELECT 1"))
    assert time.monotonic() - began[1] < 1
