"""A process killed outright in the middle of its writes loses nothing acknowledged and leaves nothing in part."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def test_kill_at_random_moments(backend, make_database):
    """A few of the kills of the benchmark, in a process of its own, as it forks."""
    checkout = Path(__file__).parents[3]
    arguments = ["tests/benchmarks/bench_crash.py", "6", *([make_database()] if backend == "postgresql" else [])]
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=checkout,
        env=os.environ | {"PYTHONPATH": str(checkout)},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert "6 kills" in done.stdout
