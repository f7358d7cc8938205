"""``tideover report``."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import open_store_here, registry_here, settings_here


@plain_errors
def report(
    html: Annotated[Path | None, typer.Option(help="Write the report as a page to this file.")] = None,
    from_store: Annotated[
        bool, typer.Option("--from-store", help="With what people were told, by the forecasts in the store.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as GET /v1/calibration gives it.")] = False,
) -> None:
    """Say how far the current model's probabilities held on packs it had not seen."""
    from models.forecaster import Forecaster
    from service.forecasting.track_record.reading import report_with_live_record
    from training.report import read_report, render_html

    settings = settings_here()
    stored = registry_here(settings).load_current(Forecaster)
    told = read_report(stored.report)
    if from_store:
        with open_store_here(settings) as store, store.reading() as session:
            told = report_with_live_record(stored, session, datetime.now(UTC))
    if html is not None:
        html.write_text(render_html(told), encoding="utf-8")
        out().print(f"Wrote {html}.")
        return
    if as_json:
        typer.echo(json.dumps(told.model_dump(mode="json"), ensure_ascii=False))
        return
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
    if told.told is not None:
        console.print("What people were told")
        for sentence in (*told.told.sentences, told.told.alarm):
            console.print(sentence)
        console.print()
    for caution in told.cautions:
        console.print(f"- {caution}")
