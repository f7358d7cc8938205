"""The commands around the store, as they are typed: keys, import, export, calendar, backup, restore, doctor, worker."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing

import pytest

from training.simulation.marrow_bay import write_fleet


@pytest.fixture
def run(tideover, tmp_path):
    def with_home(*arguments, home="home", **options):
        return tideover(*arguments, env={"TIDEOVER_HOME": str(tmp_path / home)}, **options)

    return with_home


def test_keys_are_made_listed_and_revoked(run):
    refused = run("keys", "create", "--role", "bench", "--title", "bench tablet")
    assert refused.exit_code == 2
    assert "The first key must have the role admin" in refused.stderr
    made = run("keys", "create", "--role", "admin", "--title", "front office", "--days", "30")
    assert made.exit_code == 0, made.stderr
    key, name = made.stdout.strip(), made.stderr.split(":")[0]
    listed = run("keys", "list").stdout
    assert name in listed
    assert key not in listed
    assert run("keys", "revoke", name).exit_code == 0
    assert run("keys", "create", "--role", "captain", "--title", "x").exit_code == 2
    assert run("keys", "create", "--role", "admin", "--title", "x", "--days", "0").exit_code == 2


def test_a_fleet_goes_in_and_out_and_into_a_backup_and_back(run, tmp_path):
    write_fleet(tmp_path / "fleet")
    dry = run("import", tmp_path / "fleet", "--dry-run")
    assert "nothing was stored" in dry.stdout
    assert "All rows are stored" in run("import", tmp_path / "fleet").stdout
    again = run("import", tmp_path / "fleet")
    assert again.exit_code == 2
    assert "packs.csv row 2 column pack_id: Pack" in again.stdout
    assert run("export", tmp_path / "out").exit_code == 0
    assert (tmp_path / "out" / "readings.csv").is_file()
    assert run("export", tmp_path / "out", "--format", "xlsx").exit_code == 2
    assert run("calendar").stdout.startswith("BEGIN:VCALENDAR")
    assert run("backup", tmp_path / "backup").exit_code == 0
    assert run("restore", tmp_path / "backup", home="second").exit_code == 0
    assert run("export", tmp_path / "out2", home="second").exit_code == 0
    for file in (tmp_path / "out").iterdir():
        assert (tmp_path / "out2" / file.name).read_bytes() == file.read_bytes()


def test_after_an_import_the_open_cases_have_their_forecasts(run, home, tmp_path):
    write_fleet(tmp_path / "fleet")
    none = run("import", tmp_path / "fleet")
    assert "There is no model yet, so nothing is forecast" in none.stderr
    (tmp_path / "second").mkdir(mode=0o700)
    shutil.copytree(home / "models", tmp_path / "second" / "models")
    imported = run("import", tmp_path / "fleet", "--json", home="second")
    assert imported.exit_code == 0, imported.stderr
    told = json.loads(imported.stdout)
    assert told["stored"]
    assert told["scoring"]["forecasts"] > 5
    kept = json.loads(run("export", tmp_path / "out", "--json", home="second").stdout)
    assert kept["issued-forecasts"] == told["scoring"]["forecasts"]


def test_an_export_of_what_is_new_is_empty_right_after_one_of_everything(run, tmp_path):
    write_fleet(tmp_path / "fleet")
    run("import", tmp_path / "fleet")
    whole = json.loads(run("export", tmp_path / "out", "--json").stdout)
    assert whole["packs"] > 5
    new = json.loads(run("export", tmp_path / "new", "--json", "--since", "2099-01-01T00:00:00Z").stdout)
    assert set(new.values()) == {0}
    refused = run("export", tmp_path / "new", "--since", "yesterday")
    assert refused.exit_code == 2
    assert "where: --since" in refused.stderr


def test_guess_prints_a_mapping_and_its_questions(run, tmp_path):
    (tmp_path / "log.csv").write_text("time,V1,V2\n2026-03-01 08:00:00,13000,13010\n")
    guessed = run("guess", tmp_path / "log.csv")
    assert 'block_v = "mV"' in guessed.stdout
    assert "Which pack is it?" in guessed.stderr
    (tmp_path / "text.csv").write_text("a,b\n1,2\n")
    assert run("guess", tmp_path / "text.csv").exit_code == 2


def test_guess_asks_until_nothing_is_open_and_the_import_takes_its_answers(run, tmp_path):
    run("import", record_of_one_pack(tmp_path))
    log, mapping = tmp_path / "log.csv", tmp_path / "mapping.toml"
    log.write_text(f"date,{','.join(f'V{b}' for b in range(1, 15))}\n03/04/2026 08:00:00{',13.1' * 14}\n")
    asked = run("guess", log, "--ask", "--output", mapping, input="A\n\nnowhere/at all\nUTC\nasleep\nrest\n")
    assert asked.exit_code == 0, asked.stderr
    assert "'asleep' is none of rest, discharge, charge" in asked.stderr
    assert "V14 block 14 V" in " ".join(asked.stderr.split())
    assert run("import", log, "--mapping", mapping).exit_code == 0
    assert "2026-04-03" in export_of(run, tmp_path)


def test_one_mapping_serves_all_files_of_a_logger(run, tmp_path):
    run("import", record_of_one_pack(tmp_path))
    log, mapping = tmp_path / "log.csv", tmp_path / "mapping.toml"
    log.write_text(f"time,{','.join(f'V{b}' for b in range(1, 15))}\n2026-04-03T08:00:00Z{',13.1' * 14}\n")
    run("guess", log, "--ask", "--pack", "A", "--output", mapping, input="rest\n")
    wrong = run("import", log, "--mapping", mapping, "--pack", "nobody", "--dry-run")
    assert wrong.exit_code == 1
    assert "'nobody' is neither stored nor in this import" in wrong.stdout
    assert run("import", log, "--mapping", mapping, "--pack", "A", "--dry-run").exit_code == 0


def record_of_one_pack(folder):
    packs = folder / "record"
    packs.mkdir()
    (packs / "packs.csv").write_text("pack_id,family\nA,gravel-14\n")
    return packs


def export_of(run, folder):
    run("export", folder / "exported")
    return (folder / "exported" / "readings.csv").read_text()


def test_doctor_store_and_worker_answer_in_sentences(run):
    assert run("store", "upgrade").exit_code == 0
    looked = run("doctor")
    assert looked.exit_code == 1
    assert "bad   There is no usable model" in looked.stdout
    assert "good  The database file is sound." in looked.stdout


def test_an_upgrade_finds_what_stops_packs_that_were_on_record_before(run, tmp_path):
    """Until the next write about it, a pack that a new rule stops went on standing in every list as before."""
    packs = record_of_one_pack(tmp_path)
    (packs / "topups.csv").write_text("pack_id,time,blocks,charge_ah\nA,2026-03-02T12:00:00Z,5,6.0\n")
    assert run("import", packs).exit_code == 0
    (database,) = tmp_path.rglob("*.sqlite3")
    with closing(sqlite3.connect(database)) as connection, connection:
        assert connection.execute("SELECT pack_id FROM stopped_packs").fetchall() == [("A",)]
        connection.execute("DELETE FROM stopped_packs")  # as by a version that did not know the rule
    assert "1 pack under a stop" in run("store", "upgrade").stdout
    with closing(sqlite3.connect(database)) as connection:
        assert connection.execute("SELECT pack_id FROM stopped_packs").fetchall() == [("A",)]
