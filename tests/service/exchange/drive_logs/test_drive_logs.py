"""Raw drive logs: kept by choice whole to the last digit, listed, sent, gone with their pack."""

from __future__ import annotations

import io
import json
import time
from datetime import UTC, datetime

import pandas as pd
import pytest

from service.exchange.drive_logs import packing
from service.exchange.imports.guess import confirmed
from service.exchange.imports.loading import import_files
from service.operation.backup import back_up, restore
from service.records.records import withdraw
from service.records.subjects.packs import PACKS
from service.records.subjects.readings import READINGS
from service.records.versions import Writer
from service.store.schema import DriveLog, Pack, Reading
from service.store.upgrading import open_store
from tests.benchmarks.bench_drive_log import BLOCKS, SECONDS, write_log
from training.files.families import load_families

FAMILIES = load_families(None)
WRITER = Writer("test", datetime(2026, 3, 3, tzinfo=UTC))


@pytest.fixture
def own_store(tmp_path):
    store = open_store(tmp_path / "home")
    with store.writing() as session:
        session.add(Pack(id="P", family="loess-28", recorded_at=WRITER.at, recorded_by="test"))
    yield store
    store.close()


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("log") / "log.csv"
    write_log(path)
    return path


def take(store, path, **options):
    mapping = confirmed(path, {"fixed.pack_id": "P"}, blocks_of_pack=BLOCKS).mapping("test")
    return import_files(store, path, FAMILIES, WRITER, mapping=mapping, **options)


def content(store):
    with store.reading() as session:
        return [pd.read_parquet(io.BytesIO(row.content)) for row in session.query(DriveLog).order_by(DriveLog.id)]


def test_it_is_kept_by_choice_alone_and_whole(own_store, log):
    assert take(own_store, log, dry_run=True, keep_logs=True).logs_kept == 1
    assert content(own_store) == []
    report = take(own_store, log, keep_logs=True)
    assert (report.logs_kept, report.taken) == (1, {"readings": 2})
    (kept,) = content(own_store)
    sent = pd.read_csv(log)
    assert len(kept) == SECONDS
    for block in range(1, BLOCKS + 1):
        assert (kept[f"block_{block}_v"] == sent[f"V{block}"]).all()
    assert (kept["current_a"] == sent["current_a"]).all()
    assert (kept["time"] == pd.to_datetime(sent["time"])).all()
    with own_store.reading() as session:
        (row,) = session.query(DriveLog)
        assert row.size_bytes < 300_000, "about what the page says of its size"
        assert (row.rows, row.file, row.pack_id) == (SECONDS, "log.csv", "P")


def test_without_the_choice_nothing_is_kept(own_store, log):
    assert take(own_store, log).logs_kept == 0
    assert content(own_store) == []


def test_with_a_bad_row_neither_log_nor_reading_is_kept(own_store, log, tmp_path):
    text = log.read_text().splitlines()
    text[5000] = text[5000].replace(",", ",99", 3)
    (tmp_path / "bad.csv").write_text("\n".join(text) + "\n")
    report = take(own_store, tmp_path / "bad.csv", keep_logs=True)
    assert report.faults_in_all
    assert not report.stored
    assert content(own_store) == []


def test_a_longer_one_is_kept_in_several(own_store, log, monkeypatch):
    monkeypatch.setattr(packing, "MOST_ROWS", 3_000)
    assert take(own_store, log, keep_logs=True).logs_kept == 3
    parts = content(own_store)
    assert [len(part) for part in parts] == [3_000, 3_000, 1_200]
    assert pd.concat(parts)["time"].is_monotonic_increasing


def test_what_was_kept_comes_in_again_as_the_same(own_store, log, tmp_path):
    take(own_store, log, keep_logs=True)
    with own_store.reading() as session:
        (row,) = session.query(DriveLog)
        path = tmp_path / packing.file_name(row)
        path.write_bytes(row.content)
        before = [(r.state, r.block_v, r.current_a) for r in session.query(Reading).order_by(Reading.time)]
    second = open_store(tmp_path / "second")
    with second.writing() as session:
        session.add(Pack(id="P", family="loess-28", recorded_at=WRITER.at, recorded_by="test"))
    mapping = confirmed(path, {}, blocks_of_pack=BLOCKS).mapping("test")
    import_files(second, path, FAMILIES, WRITER, mapping=mapping)
    with second.reading() as session:
        assert [(r.state, r.block_v, r.current_a) for r in session.query(Reading).order_by(Reading.time)] == before
    second.close()


def test_it_goes_with_its_pack_and_into_a_backup(own_store, log, tmp_path):
    take(own_store, log, keep_logs=True)
    back_up(own_store, tmp_path / "none", tmp_path / "backup", WRITER.at)
    second = open_store(tmp_path / "second")
    restore(second, tmp_path / "models", tmp_path / "backup")
    assert len(content(second)[0]) == SECONDS
    second.close()
    with own_store.writing() as session:
        for row in session.query(Reading).all():
            withdraw(session, READINGS, row.id, FAMILIES, WRITER, None)
        withdraw(session, PACKS, "P", FAMILIES, WRITER, None)
    assert content(own_store) == []


def test_keeping_it_takes_no_second(own_store, log):
    began = time.process_time()
    take(own_store, log, keep_logs=True)
    assert time.process_time() - began < 4, "of processor time, on any machine that runs the tests"


def test_by_command(tideover, log, tmp_path):
    env = {"TIDEOVER_HOME": str(tmp_path)}
    store = open_store(tmp_path)
    with store.writing() as session:
        session.add(Pack(id="P", family="loess-28", recorded_at=WRITER.at, recorded_by="test"))
    store.close()
    mapping = tmp_path / "logger.toml"
    assert tideover("guess", log, "--pack", "P", "--ask", "--output", mapping, env=env, input="\n" * 9).exit_code == 0
    done = tideover("import", log, "--mapping", mapping, "--keep-logs", "--no-forecasts", env=env)
    assert done.exit_code == 0, done.output
    assert "1 drive log kept raw." in done.stdout
    (one,) = json.loads(tideover("logs", "list", "--json", env=env).stdout)
    assert one["rows"] == SECONDS
    assert "MB in all" in tideover("logs", "list", "--pack", "P", env=env).stdout
    out = tmp_path / "out.parquet"
    assert tideover("logs", "export", "1", out, env=env).exit_code == 0
    assert len(pd.read_parquet(out)) == SECONDS
    assert tideover("logs", "export", "1", out, env=env).exit_code == 2
    assert tideover("logs", "remove", "1", env=env).exit_code == 0
    assert tideover("logs", "remove", "1", env=env).exit_code == 2
