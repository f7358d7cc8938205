"""Backups: whole, checked, and the same in either database."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import select, text

from models.base.errors import BadInput
from service.core.settings import Settings
from service.operation.backup import back_up, restore
from service.operation.doctor import examine
from service.records.records import Writer, create, withdraw
from service.records.subjects.all_subjects import SUBJECTS
from service.store.opening import Store
from service.store.schema import ApiKey, AuditEntry, Base, Delivery, Vehicle
from service.store.upgrading import open_store
from training.files.families import load_families

NOW = datetime(2026, 3, 14, 9, 30, tzinfo=UTC)


@pytest.fixture
def filled_store(store: Store) -> Store:
    """A row in every table that can stand alone, and a vehicle that was withdrawn."""
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
    back_up(filled_store, models, tmp_path / "backup", NOW)
    second = open_store(tmp_path / "second", make_database() if into == "postgresql" else None)
    restore(second, tmp_path / "second" / "models", tmp_path / "backup")
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
