"""A process killed outright loses nothing acknowledged and leaves nothing in part: some kills of the benchmark."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).parents[3]


@pytest.mark.parametrize(
    ("kind", "kills"),
    [
        ("writes", 6),
        *(
            pytest.param(kind, 3, marks=pytest.mark.faults)
            for kind in ("server", "worker", "registry", "restore", "upgrade")
        ),
    ],
)
def test_kill_at_random_moments(backend, make_database, kind, kills):
    """In a process of its own, as it forks."""
    database = make_database() if backend == "postgresql" else ""
    done = subprocess.run(
        [sys.executable, "tests/benchmarks/bench_crash.py", str(kills), database, kind],
        cwd=CHECKOUT,
        env=os.environ | {"PYTHONPATH": str(CHECKOUT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert f"{kind}: {kills} kills" in done.stdout
