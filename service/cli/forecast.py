"""``tideover forecast``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service.cli.errors import plain_errors
from service.cli.surroundings import registry_here, settings_here
from training.files.families import load_families


@plain_errors
def forecast(
    case: Annotated[
        Path | None, typer.Argument(help="Case file (JSON, as for POST /v1/forecasts), or - for standard input.")
    ] = None,
    data: Annotated[Path | None, typer.Option(help="Folder of tables, instead of a case file.")] = None,
    pack: Annotated[str | None, typer.Option(help="Which pack of the tables.")] = None,
    at: Annotated[str | None, typer.Option(help="Moment of the forecast, as 2026-03-02T08:30:00+00:00.")] = None,
    km_per_day: Annotated[float | None, typer.Option(help="What if it is driven this far a day?")] = None,
    trips_per_day: Annotated[float | None, typer.Option(help="What if it makes this many trips a day?")] = None,
    ambient_c: Annotated[float | None, typer.Option(help="What if it is this warm outside, °C?")] = None,
    parked_days: Annotated[float | None, typer.Option(help="What if it stands this many of the next 30 days?")] = None,
    replacement_in_days: Annotated[float | None, typer.Option(help="Days until the replacement pack arrives.")] = None,
    confidence: Annotated[
        list[float] | None, typer.Option(help="Confidence for the good-for figure, as 0.9; may be given again.")
    ] = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="Also say what moves the forecast, and which past packs were like it.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer of the REST service instead.")] = False,
) -> None:
    """Say how long a top-up will hold: in sentences, as a curve, in figures, with cautions."""
    from models.forecaster import Forecaster
    from service.cli.answers import print_answer
    from service.cli.case_file import asked_of, with_options
    from service.forecasting.forecasts.answers import answer
    from service.forecasting.forecasts.cases import require_unstopped

    settings = settings_here()
    families = load_families(settings.own_families_dir)
    content = asked_of("forecast", case, data, pack, families)
    usage = {
        "km_per_day": km_per_day,
        "trips_per_day": trips_per_day,
        "ambient_c": ambient_c,
        "parked_days_in_30": parked_days,
    }
    asked = with_options(
        content,
        usage,
        at=at,
        replacement_in_days=replacement_in_days,
        confidence=confidence or None,
        explain=explain or None,
    )
    require_unstopped(asked, families)
    model = registry_here(settings).load_current(Forecaster)
    given = answer(asked, model.model, families, threads=settings.threads)
    if as_json:
        typer.echo(given.model_dump_json())
    else:
        print_answer(given)
