"""Several processes that answer side by side, as a user starts them: counted together, and replaced when they die."""

from __future__ import annotations

import json
import os
import shutil
import signal
import time
import urllib.error
import urllib.request
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.access.callers import Role
from service.access.keys import make_key
from service.access.rate import RateLimit
from service.access.shared_buckets import LOOKED_AT, SLOTS, SharedBuckets
from service.store.upgrading import open_store
from tests.service.running import free_port, running_service

PER_MINUTE = 80


def ask(address: str, key: str, path: str = "/v1/families", body: object = None) -> int:
    """Ask on a connection of its own; return the status."""
    data = None if body is None else json.dumps(body).encode()
    headers = {"Content-Type": "application/json", "Authorization": f"Bearer {key}"}
    request = urllib.request.Request(address + path, data, headers)
    try:
        with urllib.request.urlopen(request, timeout=60) as response:
            response.read()
            return response.status
    except urllib.error.HTTPError as error:
        error.close()
        return error.code


def made_keys(home: Path, *roles: Role) -> list[str]:
    store = open_store(home)
    with store.writing() as session:
        made = [make_key(session, "x", role, None, datetime.now(UTC))[1] for role in roles]
    store.close()
    return made


def children_of(pid: int) -> set[int]:
    """Return the processes that answer: those of the service that listen."""
    found = set()
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
            line = (stat.parent / "cmdline").read_bytes()
        except OSError:
            continue
        if int(fields[1]) == pid and b"spawn_main" in line:
            found.add(int(stat.parent.name))
    return found


def counted(address: str, key: str) -> dict[str, float]:
    """Return the requests for families by their status, as the metrics have it: one refused reaches no route."""
    request = urllib.request.Request(address + "/metrics", headers={"Authorization": f"Bearer {key}"})
    with urllib.request.urlopen(request, timeout=60) as response:
        text = response.read().decode()
    requests = [s for f in text_string_to_metric_families(text) if f.name == "tideover_requests" for s in f.samples]
    found: dict[str, float] = {}
    for sample in requests:
        if sample.name.endswith("_total") and sample.labels["route"] in ("/v1/families", "none"):
            found[sample.labels["status"]] = found.get(sample.labels["status"], 0) + sample.value
    assert text.count("\ntideover_open_cases ") == 1
    return found


def parent_of(port: int) -> int:
    for line in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = line.read_bytes().split(b"\0")
        except OSError:
            continue
        if b"serve" in words and str(port).encode() in words:
            return int(line.parent.name)
    raise AssertionError("the service is not there")


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="finds the processes by /proc")
def test_requests_are_limited_and_counted_over_all_processes_and_a_dead_one_is_replaced(home, van_case, tmp_path):
    shutil.copytree(home / "models", tmp_path / "models")
    key, watcher = made_keys(tmp_path, "admin", "read-only")
    port = free_port()
    with running_service(tmp_path, port, TIDEOVER_WORKERS="2", TIDEOVER_REQUESTS_PER_MINUTE=str(PER_MINUTE)) as address:
        parent = parent_of(port)
        first = children_of(parent)
        assert len(first) == 2
        assert ask(address, key, "/v1/forecasts", van_case) == 200
        began = time.monotonic()
        with ThreadPoolExecutor(8) as pool:
            statuses = list(pool.map(lambda _: ask(address, key), range(2 * PER_MINUTE)))
        # Each process by itself would have let as many pass. More fill in while it is asked; some were used to start.
        assert PER_MINUTE / 2 < statuses.count(200) <= PER_MINUTE * (1 + (time.monotonic() - began) / 60)
        assert counted(address, watcher) == Counter(map(str, statuses))
        os.kill(min(first), signal.SIGKILL)
        until = time.monotonic() + 60
        while len(now := children_of(parent)) < 2 or now == first:
            assert time.monotonic() < until
            time.sleep(0.2)
        assert len(now - first) == 1
        assert ask(address, key, "/healthz") == 200
        assert counted(address, watcher).get("429", 0) >= statuses.count(429)


def test_two_that_name_the_same_file_take_from_the_same_bucket(tmp_path):
    now = 0.0
    one, other = (RateLimit(60, lambda: now, SharedBuckets(tmp_path / "requests")) for _ in range(2))
    assert [one.wait_s("a") for _ in range(30)] == [other.wait_s("a") for _ in range(30)] == [0.0] * 30
    assert one.wait_s("a") == other.wait_s("a") == 1.0
    assert one.spent("a")
    assert other.wait_s("b") == 0.0
    now = 1.5
    assert other.wait_s("a") == 0.0
    assert one.wait_s("a") > 0


def test_many_callers_forget_only_who_was_not_there_for_the_longest(tmp_path):
    now = 0.0
    limit = RateLimit(1, lambda: now, SharedBuckets(tmp_path / "requests"))
    for caller in range(SLOTS):  # more than there is room for, without gaps
        now += 1e-6
        limit.wait_s(f"caller {caller}")
    kept = sum(limit.spent(f"caller {caller}") for caller in range(SLOTS))
    assert SLOTS * 0.9 < kept < SLOTS
    assert all(limit.spent(f"caller {caller}") for caller in range(SLOTS - LOOKED_AT, SLOTS))
