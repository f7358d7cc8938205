"""``tideover live-record`` and ``tideover drift``."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from models.base.percents import level_percent
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import open_store_here, registry_here, settings_here
from training.files.families import load_families

if TYPE_CHECKING:
    from training.report.content import WhatWeTold

AsJson = Annotated[bool, typer.Option("--json", help="Print the answer of the REST service instead.")]


@plain_errors
def live_record(as_json: AsJson = False) -> None:
    """Say what people were told, what came of it month by month, and whether forecasts still come true."""
    from service.forecasting.track_record import reading

    with open_store_here(settings_here()) as store, store.reading() as session:
        found = reading.live_record(session, datetime.now(UTC))
    if as_json:
        typer.echo(found.model_dump_json())
        return
    for sentence in found.sentences:
        out().print(sentence)
    if found.told is not None:
        out().print()
        out().print(_months(found.told))


@plain_errors
def drift(as_json: AsJson = False) -> None:
    """Say whether recent packs look like those that the model learned from, feature by feature."""
    from models.forecaster import Forecaster
    from service.forecasting.track_record.inputs import drift_of

    settings = settings_here()
    model = registry_here(settings).load_current(Forecaster).model
    families = load_families(settings.own_families_dir)
    with open_store_here(settings) as store, store.reading() as session:
        found = drift_of(session, model, families, datetime.now(UTC), threads=settings.threads)
    if as_json:
        typer.echo(found.model_dump_json())
        return
    for sentence in found.sentences:
        out().print(sentence)


def _months(told: WhatWeTold) -> Table:
    day, promised = f"{told.day:g}", f"{level_percent(told.confidence)} kept"
    table = Table("month", "issued", "known", "returned", f"forecast by day {day}", "observed", promised, box=None)
    table.add_column("verdict")
    for month in (*told.months, told.whole):
        shares = (month.forecast, month.observed, month.kept)
        counts = (month.forecasts, month.settled, month.returned)
        table.add_row(
            month.month,
            *map(str, counts),
            *("-" if share is None else f"{100 * share:.0f} of 100" for share in shares),
            month.verdict,
        )
    return table
