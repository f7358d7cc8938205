"""Backups: whole, checked, and the same in either database."""

from __future__ import annotations

import errno
import json
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from sqlalchemy import select, text, update

from models.base.errors import BadInput
from service.core.settings import Settings
from service.operation.backup import MANIFEST, back_up, restore
from service.operation.doctor import examine
from service.records.records import create, withdraw
from service.records.subjects.all_subjects import SUBJECTS
from service.records.versions import Writer
from service.store.opening import SQLITE_FILE, Store
from service.store.schema import ApiKey, AuditEntry, Base, Delivery, Outcome, Reading, Vehicle
from service.store.upgrading import downgrade, newest_revision, open_at_any_schema, open_store, schema_revision
from tests.service.store.backends import ON_SQLITE
from training.files.families import load_families

NOW = datetime(2026, 3, 14, 9, 30, tzinfo=UTC)


@pytest.fixture
def filled_store(store: Store) -> Store:
    return fill(store)


@pytest.fixture
def own_store(tmp_path, backend, make_database) -> Iterator[Store]:
    """A filled store whose schema a test may change: the one of other tests stays as it is."""
    store = open_store(tmp_path, make_database() if backend == "postgresql" else None)
    yield fill(store)
    store.close()


def fill(store: Store) -> Store:
    """Put a row into every table that can stand alone, and withdraw a vehicle."""
    families, writer = load_families(None), Writer("k", NOW)
    with store.writing() as session:
        for subject in SUBJECTS:
            create(session, subject, subject.new.model_validate(subject.example), families, writer)
        withdraw(session, SUBJECTS[-1], 1, families, writer, None)
        session.add(ApiKey(id="key-1", title="t", role="admin", digest="d" * 64, created_at=NOW))
        session.add(AuditEntry(at=NOW, by="k", action="a"))
    return store


def content(store: Store) -> dict[str, list[tuple]]:
    with store.engine.connect() as connection:
        return {
            t.name: [tuple(row) for row in connection.execute(select(t).order_by(*t.primary_key))]
            for t in Base.metadata.sorted_tables
        }


@pytest.mark.parametrize("into", ["sqlite", "postgresql"])
def test_a_backup_restores_every_row_in_either_database(filled_store, tmp_path, into, make_database):
    models = tmp_path / "models"
    models.mkdir()
    (models / "current.json").write_text("{}")
    families = tmp_path / "families"
    families.mkdir()
    (families / "slate-17.toml").write_text("invented")
    back_up(filled_store, models, tmp_path / "backup", NOW, families)
    second = open_store(tmp_path / "second", make_database() if into == "postgresql" else None)
    restore(second, tmp_path / "second" / "models", tmp_path / "backup", tmp_path / "second" / "families")
    assert (tmp_path / "second" / "families" / "slate-17.toml").read_text() == "invented"
    assert content(second) == content(filled_store)
    assert (tmp_path / "second" / "models" / "current.json").read_text() == "{}"
    with second.writing() as session:
        row = Delivery(supplier_id="north-quay", family="gravel-14", ordered_at=NOW, recorded_at=NOW, recorded_by="k")
        session.add(row)
        session.flush()
        assert row.id == 2, "the number of the withdrawn record stays taken"
    with pytest.raises(BadInput, match="not empty"):
        restore(second, tmp_path / "third", tmp_path / "backup")
    second.close()


def test_a_backup_is_one_state_while_others_write(filled_store, tmp_path):
    with filled_store.writing() as session:
        session.add(Vehicle(id="MB-VAN-77", recorded_at=NOW, recorded_by="k"))
        session.flush()
        counts = back_up(filled_store, tmp_path / "models", tmp_path / "backup", NOW)
    assert counts["vehicles"] == 1


def test_a_damaged_or_foreign_backup_is_refused_and_nothing_is_restored(filled_store, tmp_path):
    back_up(filled_store, tmp_path / "models", tmp_path / "backup", NOW)
    with pytest.raises(BadInput, match="there already"):
        back_up(filled_store, tmp_path / "models", tmp_path / "backup", NOW)
    file = tmp_path / "backup" / "vehicles.parquet"
    file.write_bytes(file.read_bytes()[:-1] + b"x")
    second = open_store(tmp_path / "second")
    for folder, what in ((tmp_path / "backup", "not the one that was backed up"), (tmp_path, "no complete backup")):
        with pytest.raises(BadInput, match=what):
            restore(second, tmp_path / "m", folder)
    assert all(rows == [] for rows in content(second).values())
    second.close()


@pytest.mark.parametrize("into", ["sqlite", "postgresql"])
def test_a_store_that_waits_to_be_upgraded_is_backed_up_and_restored(own_store, tmp_path, into, make_database):
    """What an upgrade asks for first: a backup by the program that will upgrade."""
    with own_store.engine.begin() as connection:
        connection.execute(update(Outcome).values(found=None))  # the older schema knows neither
        connection.execute(update(Reading).values(inspected=None))
    before = content(own_store)
    older = "0002"
    downgrade(own_store, older)
    counts = back_up(own_store, tmp_path / "models", tmp_path / "backup", NOW)
    assert json.loads((tmp_path / "backup" / MANIFEST).read_text())["schema"] == older
    assert counts["vehicles"] == 1
    second = open_at_any_schema(tmp_path / "second", make_database(empty=True) if into == "postgresql" else None)
    restore(second, tmp_path / "second" / "models", tmp_path / "backup")
    assert schema_revision(second) == newest_revision()
    assert content(second) == before
    second.close()


def test_the_command_backs_up_before_an_upgrade(tmp_path, own_store, tideover):
    downgrade(own_store, "0002")
    url = "" if own_store.is_sqlite else own_store.engine.url.render_as_string().replace("+psycopg", "")
    env = {"TIDEOVER_HOME": str(tmp_path), "TIDEOVER_DATABASE": url}
    done = tideover("backup", str(tmp_path / "backup"), env=env)
    assert done.exit_code == 0, done.stderr
    assert tideover("store", "upgrade", env=env).exit_code == 0
    assert schema_revision(own_store) == newest_revision()


def test_a_backup_that_fails_leaves_nothing_behind(filled_store, tmp_path, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(shutil, "copytree", full)
    (tmp_path / "models").mkdir()
    (tmp_path / "backups").mkdir()
    with pytest.raises(OSError, match="No space"):
        back_up(filled_store, tmp_path / "models", tmp_path / "backups" / "today", NOW)
    assert list((tmp_path / "backups").iterdir()) == []


RESTORE = """
import os, signal, sys
from pathlib import Path
from service.operation import backup
from service.store.upgrading import open_at_any_schema
home, folder, database, place = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3] or None, sys.argv[4]
step = getattr(backup, place)
def killed_after(*arguments):
    step(*arguments)
    os.kill(os.getpid(), signal.SIGKILL)
setattr(backup, place, killed_after)
backup.restore(open_at_any_schema(home, database), home / "models", folder)
"""


@pytest.mark.parametrize("place", ["_restore_models", "_set_last_numbers", "to_disk"])
def test_a_restore_that_was_killed_can_be_repeated(filled_store, tmp_path, make_database, backend, place):
    models = tmp_path / "models"
    (models / "m1").mkdir(parents=True)
    (models / "current.json").write_text("{}")
    (models / "m1" / "model.joblib").write_bytes(b"x" * 1000)
    back_up(filled_store, models, tmp_path / "backup", NOW)
    home, url = tmp_path / "second", make_database() if backend == "postgresql" else None
    home.mkdir()
    command = [sys.executable, "-c", RESTORE, str(home), str(tmp_path / "backup"), url or "", place]
    assert subprocess.run(command, check=False).returncode == -signal.SIGKILL
    second = open_at_any_schema(home, url)
    restore(second, home / "models", tmp_path / "backup")
    assert content(second) == content(filled_store)
    assert (home / "models" / "m1" / "model.joblib").read_bytes() == b"x" * 1000
    assert not [path for path in home.iterdir() if path.name.endswith(".unfinished")]
    second.close()


def test_models_of_another_backup_are_left_alone(filled_store, tmp_path):
    back_up(filled_store, tmp_path / "none", tmp_path / "backup", NOW)
    models = tmp_path / "second" / "models"
    models.mkdir(parents=True)
    (models / "current.json").write_text("{}")
    second = open_at_any_schema(tmp_path / "second")
    with pytest.raises(BadInput, match="models already"):
        restore(second, models, tmp_path / "backup")
    assert (models / "current.json").read_text() == "{}"
    assert schema_revision(second) is None
    second.close()


@ON_SQLITE
@pytest.mark.parametrize("damage", ["no database", "cut off", "overwritten"])
def test_the_doctor_looks_at_a_damaged_database(filled_store, tmp_path, damage, tideover):
    filled_store.close()
    path = tmp_path / SQLITE_FILE
    for beside in tmp_path.glob(f"{SQLITE_FILE}-*"):
        beside.unlink()
    whole = path.read_bytes()
    path.write_bytes(
        {
            "no database": b"not a database" * 1_000,
            "cut off": whole[: len(whole) // 2],
            "overwritten": whole[:4096] + b"\xff" * (len(whole) - 4096),
        }[damage]
    )
    settings = Settings.from_environment({"TIDEOVER_HOME": str(tmp_path)})
    bad = [finding.what for finding in examine(settings, NOW) if finding.verdict == "bad"]
    assert any("damaged" in what and "restore" in what for what in bad), bad
    done = tideover("doctor", env={"TIDEOVER_HOME": str(tmp_path)})
    assert done.exit_code == 1
    assert "inside Tideover" not in done.stdout + done.stderr


def test_the_doctor_finds_what_is_wrong(tmp_path, store, database):
    settings = Settings.from_environment({"TIDEOVER_HOME": str(tmp_path), "TIDEOVER_DATABASE": database or ""})
    tmp_path.chmod(0o700)
    verdicts = {finding.what: finding.verdict for finding in examine(settings, NOW)}
    bad = [what for what, verdict in verdicts.items() if verdict == "bad" and "free" not in what]
    assert len(bad) == 1
    assert "no usable model" in bad[0]
    tmp_path.chmod(0o755)
    with store.writing() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '0000'"))
    found = [(finding.verdict, finding.what) for finding in examine(settings, NOW)]
    assert any(verdict == "look" and "chmod 700" in what for verdict, what in found)
    assert any(verdict == "bad" and "schema is 0000" in what for verdict, what in found)
