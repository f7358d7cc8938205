"""The shipped program as a user starts it: a real process, a real socket on loopback."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def environment(home: Path, **more: str) -> dict[str, str]:
    """Return the variables of a process with a state folder and no other setting."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("TIDEOVER_")}
    return kept | {"TIDEOVER_HOME": str(home), "PYTHONPATH": str(Path(__file__).parents[2])} | more


def command(*arguments: object) -> list[str]:
    """Return the command line of this checkout."""
    return [sys.executable, "-m", "service.cli", *map(str, arguments)]


def free_port() -> int:
    """Return a port of loopback on which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def running_service(home: Path, port: int, **more: str) -> Iterator[str]:
    """Run the service while the block runs, and yield its address; every line of its log must be a request."""
    process = subprocess.Popen(
        command("serve", "--port", port),
        env=environment(home, **more),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(600):
            try:
                urllib.request.urlopen(address + "/healthz", timeout=1).close()
                break
            except OSError:
                assert process.poll() is None, process.stderr.read() if process.stderr else ""
                time.sleep(0.1)
        yield address
    finally:
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert "this machine only" in out
    assert "Traceback" not in err
    requests = [json.loads(line) for line in err.splitlines()]
    assert all(line["event"] == "request" and line["request_id"] for line in requests)


@contextmanager
def running_dask(workers: int, *more: str) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Run a Dask scheduler and workers of one thread on loopback; yield its address and the workers' processes."""
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    scheduler = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--no-dashboard",
                 "--port", str(port), "--no-show"]  # fmt: skip
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard",
              "--no-nanny", *more]  # fmt: skip
    running = [subprocess.Popen(scheduler, **quiet)]
    try:
        running += [subprocess.Popen(worker, **quiet) for _ in range(workers)]
        while not _listens(port):
            assert running[0].poll() is None
            time.sleep(0.1)
        yield address, running[1:]
    finally:
        for process in running:
            process.kill()
            process.wait()


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
