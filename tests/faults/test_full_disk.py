"""A disk that is really full: a small file system in memory, mounted for the service alone."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx2 as httpx
import pytest

from service.access.visits import SECRET_FILE
from service.records.subjects.packs import PACKS
from service.records.subjects.readings import READINGS

pytestmark = pytest.mark.faults

MEGABYTES = 16
"""Room for the database and its log."""
SERVE = 'mount -t tmpfs -o size={size}m none "$TIDEOVER_HOME" && exec {python} -m service.cli serve --port {port}'


class Served:
    """The service in a home of its own file system, which nobody else sees."""

    def __init__(self, process: subprocess.Popen[bytes], home: Path, address: str) -> None:
        self.process = process
        self.home = Path(f"/proc/{process.pid}/root{home}")
        self.client = httpx.Client(base_url=address, timeout=30)

    def free(self) -> int:
        return shutil.disk_usage(self.home).free

    def fill(self) -> None:
        """Leave no byte free."""
        with (self.home / "filler").open("wb", buffering=0) as file:
            while True:
                try:
                    file.write(bytes(min(self.free(), 65_536) or 4_096))
                except OSError:
                    return

    def make_room(self) -> None:
        (self.home / "filler").unlink()

    def names(self) -> set[str]:
        return {path.relative_to(self.home).as_posix() for path in self.home.rglob("*")}


@pytest.fixture
def served(tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    kept = {name: value for name, value in os.environ.items() if not name.startswith("TIDEOVER_")}
    log = (tmp_path / "log").open("wb")
    process = subprocess.Popen(
        ["unshare", "-rm", "sh", "-c", SERVE.format(size=MEGABYTES, python=sys.executable, port=port)],
        env=kept | {"TIDEOVER_HOME": str(home), "PYTHONPATH": str(Path(__file__).parents[2])},
        stderr=log,
        stdout=log,
    )
    found = Served(process, home, f"http://127.0.0.1:{port}")
    try:
        while True:
            assert process.poll() is None, (tmp_path / "log").read_text()
            try:
                found.client.get("/healthz")
                break
            except httpx.HTTPError:
                time.sleep(0.1)
        yield found
    finally:
        found.client.close()
        process.send_signal(signal.SIGINT)
        process.wait(30)
        log.close()


def test_a_full_disk_is_told_as_such_and_leaves_no_crumbs(served, tmp_path):
    client = served.client
    assert client.post("/v1/packs", json=PACKS.example).status_code == 201
    stored = client.post("/v1/readings", json=READINGS.example)
    assert stored.status_code == 201
    before = served.names()
    served.fill()

    for number in range(24):  # until what was left in the log of the database is used up
        refused = client.post("/v1/readings", json=READINGS.example | {"time": f"2026-04-03T{number:02d}:10:00Z"})
        if refused.status_code != 201:
            break
    assert refused.status_code == 507, refused.text
    assert "disk of the service is full" in refused.json()["detail"]

    sent = client.put("/v1/inbox/readings.csv", content=bytes(1_000_000))
    assert sent.status_code == 507, sent.text
    in_folder = client.put("/v1/inbox/march/readings.csv", content=bytes(1_000_000))
    assert in_folder.status_code == 507
    assert served.names() - before <= {"filler", "inbox"}

    ready = client.get("/readyz")
    assert ready.status_code == 507
    assert "disk" in ready.json()["detail"]
    assert client.get("/healthz").status_code == 200
    assert client.get("/v1/readings/1").json() == stored.json(), "what is stored can be read"

    page = client.get("/bench")
    assert page.status_code == 200, page.text
    assert not (served.home / SECRET_FILE).exists(), "there was no room for it"
    lines = [json.loads(line) for line in (tmp_path / "log").read_text().splitlines() if line.startswith("{")]
    causes = {line["cause"] for line in lines if "cause" in line}
    assert causes <= {"SQLITE_FULL", "ENOSPC"}
    assert len(causes) == 2
    assert not [line for line in lines if line["event"] == "request failed"]

    served.make_room()
    assert client.post("/v1/readings", json=READINGS.example | {"time": "2026-05-03T08:10:00Z"}).status_code == 201
    assert client.put("/v1/inbox/readings.csv", content=b"x").status_code == 204
    assert client.get("/readyz").status_code in (200, 503), "for want of a model, not of room"
