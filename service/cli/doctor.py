"""``tideover doctor``."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime

import typer

from service.cli.errors import FAILURE_STATUS, plain_errors
from service.cli.printing import AsJson, out, print_json
from service.cli.surroundings import settings_here


@plain_errors
def doctor(as_json: AsJson = False) -> None:
    """Look over the home, the store, the keys, the jobs and the model, and say what to mend."""
    from service.operation.doctor import examine

    findings = list(examine(settings_here(), datetime.now(UTC)))
    if as_json:
        print_json([asdict(finding) for finding in findings])
    for finding in () if as_json else findings:
        out().print(f"{finding.verdict:<5} {finding.what}")
    if any(finding.verdict == "bad" for finding in findings):
        raise typer.Exit(FAILURE_STATUS)
