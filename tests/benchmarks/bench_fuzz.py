"""Every check of schemathesis against the shipped service, over a real socket, for as long as one likes.

Run from the checkout: ``python tests/benchmarks/bench_fuzz.py [seconds] [folder of reports] [PostgreSQL URL of an empty
database]``. A small model is trained, the worked examples are stored, and an administrator's key is made; then requests
are made up from the served OpenAPI document: its examples, each of its limits, at random, and in sequences.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import httpx2 as httpx

from service.records.subjects.all_subjects import SUBJECTS
from tests.benchmarks.bench_load import CHECKOUT, make_model, served

CONFIG = CHECKOUT / "tests" / "service" / "schemathesis.toml"
HOOKS = "tests.service.fuzz_hooks"
WITHOUT_A_LIMIT = """
from service.access import wrong_keys
from service.cli import main
wrong_keys.PER_MINUTE = 10**9
main()
"""
"""The program, but for one limit: a check sends wrong keys, more in a minute than are looked at from one address."""


def fuzz(address: str, key: dict[str, str], seconds: float, reports: Path) -> int:
    """Run schemathesis; return 0 where every check held."""
    command = [
        *(sys.executable, "-c", "from schemathesis.cli import schemathesis; schemathesis()"),
        *("--config-file", str(CONFIG), "--no-color", "run", f"{address}/openapi.json", "--url", address),
        *("--checks", "all", "--continue-on-failure", "--max-time", f"{seconds:.0f}", "--seed", "21", "--no-shrink"),
        *("--header", f"Authorization: Bearer {key['key']}", "--generation-database", "none"),
        *("--report", "ndjson,junit", "--report-dir", str(reports)),
    ]
    env = os.environ | {
        "SCHEMATHESIS_HOOKS": HOOKS,
        "PYTHONPATH": str(CHECKOUT),
        "FUZZ_KEY_ID": key["id"],
        "COLUMNS": "150",
    }
    return subprocess.run(command, env=env, cwd=reports, check=False).returncode


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 900
    reports = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(tempfile.mkdtemp())
    url = sys.argv[3] if len(sys.argv) > 3 else ""
    with tempfile.TemporaryDirectory() as name:
        make_model(Path(name))
        many = {"TIDEOVER_REQUESTS_PER_MINUTE": "1000000"}
        with served(Path(name), url, ("-c", WITHOUT_A_LIMIT), log=reports / "service.log", **many) as (_, address):
            for subject in SUBJECTS:
                httpx.post(f"{address}/v1/{subject.name}", json=dict(subject.example)).raise_for_status()
            made = httpx.post(f"{address}/v1/keys", json={"title": "fuzz", "role": "admin"})
            sys.exit(fuzz(address, made.raise_for_status().json(), seconds, reports))


if __name__ == "__main__":
    main()
