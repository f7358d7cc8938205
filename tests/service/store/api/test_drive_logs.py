"""Kept drive logs over REST, on both databases."""

from __future__ import annotations

import io
import shutil

import pandas as pd
import pytest

from service.core.logs import make_log
from service.jobs.worker import Worker
from service.store.schema import Pack
from tests.benchmarks.bench_drive_log import BLOCKS, write_log
from tests.service.store.backends import ON_SQLITE
from training.files.families import load_families

LOGS = "/v1/drive-logs"


@pytest.fixture
def kept(api, store, clock, settings, tmp_path):
    """A log that a worker imported from the inbox and kept."""
    from service.exchange.imports.guess import confirmed

    (tmp_path / "inbox").mkdir()
    path = tmp_path / "inbox" / "log.csv"
    write_log(path)
    text = confirmed(path, {"fixed.pack_id": "P"}, blocks_of_pack=BLOCKS).as_toml()
    (tmp_path / "inbox" / "logger.toml").write_text(text)
    with store.writing() as session:
        session.add(Pack(id="P", family="loess-28", recorded_at=clock(), recorded_by="test"))
    asked = {"name": "log.csv", "mapping": "logger.toml", "keep_logs": True}
    at = api.post("/v1/jobs/imports", json=asked).headers["Location"]
    own = settings.model_copy(update={"home": tmp_path})
    Worker(store, own, load_families(None), clock, make_log("error")).run(once=True)
    job = api.get(at).json()
    assert (job["state"], job["result"]["logs_kept"]) == ("done", 1), job
    shutil.rmtree(tmp_path / "inbox")
    return api


def test_list_read_and_remove(kept, problem_in):
    (one,) = kept.get(LOGS, params={"pack_id": "P"}).json()["items"]
    assert kept.get(LOGS, params={"pack_id": "Q"}).json()["items"] == []
    assert "content" not in one
    answer = kept.get(f"{LOGS}/{one['id']}")
    assert answer.headers["Content-Type"] == "application/vnd.apache.parquet"
    assert 'filename="readings-P-20260302T080000Z.parquet"' in answer.headers["Content-Disposition"]
    assert len(answer.content) == one["size_bytes"]
    assert len(pd.read_parquet(io.BytesIO(answer.content))) == one["rows"]
    assert kept.delete(f"{LOGS}/{one['id']}").json()["id"] == one["id"]
    problem_in(kept.get(f"{LOGS}/{one['id']}"), 404)
    assert len(kept.get("/v1/readings").json()["items"]) == 2, "what tells of it stays"


@ON_SQLITE
def test_roles(kept, problem_in):
    admin = {"Authorization": f"Bearer {kept.post('/v1/keys', json={'title': 'a', 'role': 'admin'}).json()['key']}"}
    made = kept.post("/v1/keys", json={"title": "r", "role": "read-only"}, headers=admin).json()["key"]
    problem_in(kept.get(LOGS), 401)
    reader = {"Authorization": f"Bearer {made}"}
    assert kept.get(f"{LOGS}/1", headers=reader).status_code == 200
    problem_in(kept.delete(f"{LOGS}/1", headers=reader), 403)
