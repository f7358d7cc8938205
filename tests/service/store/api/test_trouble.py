"""A database damaged, gone or replaced under a running service: told as such, and nothing acknowledged is lost."""

from __future__ import annotations

import errno
import shutil
import sqlite3

import pytest
from sqlalchemy.exc import OperationalError

from service.records.subjects.packs import PACKS
from service.records.subjects.vehicles import VEHICLES
from service.store.opening import SQLITE_FILE
from service.store.trouble import cause_of, told_trouble, trouble_of


@pytest.fixture(params=["sqlite"])
def backend(request):
    return request.param


def test_a_database_that_was_moved_away_takes_no_writes(api, tmp_path, problem_in):
    """The open file goes on to exist without a name: what is written into it, nobody ever finds."""
    assert api.post("/v1/vehicles", json=VEHICLES.example).status_code == 201
    (tmp_path / SQLITE_FILE).rename(tmp_path / "aside")
    problem_in(api.post("/v1/packs", json=PACKS.example), 503)
    problem_in(api.get("/v1/packs"), 503)
    problem_in(api.get("/readyz"), 503)
    assert not (tmp_path / SQLITE_FILE).exists(), "no empty one is made in its place"
    (tmp_path / "aside").rename(tmp_path / SQLITE_FILE)
    assert api.post("/v1/packs", json=PACKS.example).status_code == 201
    assert api.get("/v1/vehicles").json()["items"]


def test_writes_go_into_the_file_that_stands_there_now(api, store, tmp_path):
    assert api.post("/v1/vehicles", json=VEHICLES.example).status_code == 201
    with store.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(tmp_path / SQLITE_FILE, tmp_path / "copy")
    for beside in tmp_path.glob(f"{SQLITE_FILE}-*"):
        beside.unlink()
    (tmp_path / "copy").replace(tmp_path / SQLITE_FILE)
    assert api.post("/v1/packs", json=PACKS.example).status_code == 201
    with sqlite3.connect(tmp_path / SQLITE_FILE) as found:
        assert found.execute("SELECT count(*) FROM packs").fetchone() == (1,)
    found.close()


def test_a_damaged_database_is_told_as_such(api, store, tmp_path, problem_in):
    assert api.post("/v1/vehicles", json=VEHICLES.example).status_code == 201
    store.close()
    path = tmp_path / SQLITE_FILE
    path.write_bytes(path.read_bytes()[:4096] + b"\xff" * 300_000)
    document = problem_in(api.get("/v1/vehicles"), 503)
    assert document["type"].endswith("store-damaged")
    assert "tideover doctor" in document["detail"]
    assert "damaged (SQLITE_CORRUPT)" in problem_in(api.get("/readyz"), 503)["detail"]


@pytest.mark.parametrize(
    ("error", "trouble", "cause"),
    [
        (OSError(errno.ENOSPC, "x"), "full", "ENOSPC"),
        (OSError(errno.EDQUOT, "x"), "full", "EDQUOT"),
        (FileNotFoundError(errno.ENOENT, "x"), None, "ENOENT"),
        (OperationalError("BEGIN", None, TimeoutError("others write")), "busy", "TimeoutError"),
        (ValueError("secret"), None, "ValueError"),
    ],
)
def test_trouble_is_named_without_what_was_sent(error, trouble, cause):
    assert trouble_of(error) == trouble
    assert cause_of(error) == cause
    assert (told_trouble(error) is None) == (trouble is None)
