"""A client that a generator makes from our description: typed, and used from end to end against the real program."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

import pytest

from tests.service.running import free_port, running_service

GENERATOR = "openapi-python-client==0.29.1"
FLOW = Path(__file__).with_name("flow.py")
GENERATE = (
    *("generate", "--path=openapi.json", "--config=config.json"),
    *("--output-path=tideover_client", "--meta=none", "--fail-on-warning"),
)
CHECK = ("-m", "mypy", "--strict", "--follow-imports=silent", "--config-file=", "--no-incremental")
UNREACHABLE = ("NewConnectionError", "Max retries exceeded", "Failed to establish", "Name or service not known",
               "Temporary failure in name resolution", "ConnectTimeout", "ProxyError")  # fmt: skip
"""What pip says of an index that it cannot reach; of one that has no such package it says something else."""


@pytest.fixture(scope="session")
def generator(request: pytest.FixtureRequest) -> Path:
    """An environment of its own with the generator in it, kept between runs."""
    folder = request.config.cache.mkdir("generated-client") / GENERATOR.replace("==", "-")
    with folder.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "whole").exists():
            shutil.rmtree(folder, ignore_errors=True)
            venv.create(folder)
            ran = subprocess.run(
                [sys.executable, "-m", "pip", "--python", folder, "install", "--quiet", "--no-compile", GENERATOR],
                capture_output=True,
                text=True,
            )
            if ran.returncode and any(sign in ran.stderr for sign in UNREACHABLE):
                pytest.skip(f"The package index cannot be reached, so there is no generator: {ran.stderr[-300:]}")
            assert ran.returncode == 0, ran.stderr
            (folder / "whole").touch()
    return folder / "bin"


@pytest.fixture(scope="session")
def generated(generator: Path, client, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder in which the generated package lies."""
    folder = tmp_path_factory.mktemp("generated")
    (folder / "openapi.json").write_text(json.dumps(client.get("/openapi.json").json()))
    # Lines of JSON and Parquet are kinds of file to the generator.
    kinds = dict.fromkeys(("application/x-ndjson", "application/vnd.apache.parquet"), "application/octet-stream")
    (folder / "config.json").write_text(json.dumps({"content_type_overrides": kinds}))
    ran = subprocess.run(
        [generator / "openapi-python-client", *GENERATE],
        cwd=folder,
        capture_output=True,
        text=True,
        env={**os.environ, "PATH": f"{generator}:{os.environ['PATH']}"},
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return folder


def test_the_client_of_every_operation_is_there(generated: Path, client):
    operations = {
        operation["operationId"] for path in client.get("/openapi.json").json()["paths"].values()
        for operation in path.values()
    }  # fmt: skip
    made = {path.stem for path in (generated / "tideover_client/api").glob("*/*.py") if path.stem != "__init__"}
    assert made == operations


def test_the_whole_flow_is_typed(generated: Path, generator: Path):
    """Nothing in it is Any by accident: a strict checker knows the type of every answer."""
    ran = subprocess.run(
        [sys.executable, *CHECK, "--python-executable", str(generator / "python"), str(FLOW)],
        cwd=generated,
        env={**os.environ, "MYPYPATH": str(generated), "PYTHONPATH": ""},
        capture_output=True,
        text=True,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr


def test_the_whole_flow_runs_against_the_real_program(generated: Path, generator: Path, home: Path, tmp_path: Path):
    own = tmp_path / "home"
    own.mkdir(mode=0o700)
    shutil.copytree(home / "models", own / "models")
    with running_service(own, free_port()) as address:
        ran = subprocess.run(
            [generator / "python", "-W", "error", FLOW, address],
            cwd=tmp_path,
            env={"PYTHONPATH": str(generated), "PATH": os.environ["PATH"]},
            capture_output=True,
            text=True,
        )
    assert ran.returncode == 0, ran.stderr[-3000:]
