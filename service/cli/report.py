"""``tideover report``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from models.forecaster import Forecaster
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import registry_here, settings_here
from training.report import CalibrationReport, render_html


@plain_errors
def report(
    html: Annotated[Path | None, typer.Option(help="Write the report as a page to this file.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as GET /v1/calibration gives it.")] = False,
) -> None:
    """Say how far the current model's probabilities held on packs it had not seen."""
    stored = registry_here(settings_here()).load_current(Forecaster)
    if html is not None:
        html.write_text(render_html(CalibrationReport.model_validate(stored.report)), encoding="utf-8")
        out().print(f"Wrote {html}.")
        return
    if as_json:
        typer.echo(json.dumps(stored.report, ensure_ascii=False))
        return
    told = CalibrationReport.model_validate(stored.report)
    console = out()
    console.print(f"Model {stored.manifest.model_id}, made {stored.manifest.created.isoformat(timespec='minutes')}")
    console.print(told.origin_sentence)
    console.print()
    for verdict in told.verdicts:
        console.print(f"{verdict.level}: {verdict.sentence}")
    console.print()
    for name, value in stored.manifest.scores.items():
        console.print(f"{name}: {'not available' if value is None else format(value, '.4g')}")
    console.print()
    for caution in told.cautions:
        console.print(f"- {caution}")
