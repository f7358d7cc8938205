"""``tideover forecast``."""

from __future__ import annotations

from typing import Annotated

import typer

from service.cli.asking import AsJson, show
from service.cli.case_file import At, CaseFile, Data, KmPerDay, PackName, answered_here, asked_of, case_asked
from service.cli.errors import plain_errors


@plain_errors
def forecast(
    case: CaseFile = None,
    data: Data = None,
    pack: PackName = None,
    at: At = None,
    km_per_day: KmPerDay = None,
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
    as_json: AsJson = False,
) -> None:
    """Say how long a top-up will hold: in sentences, as a curve, in figures, with cautions."""
    from service.cli.answers import print_answer
    from service.forecasting.forecasts.answers import answer
    from service.forecasting.forecasts.schemas import ForecastCase

    usage = {
        "km_per_day": km_per_day,
        "trips_per_day": trips_per_day,
        "ambient_c": ambient_c,
        "parked_days_in_30": parked_days,
    }
    asked = case_asked(
        ForecastCase,
        asked_of("forecast", case, data, pack),
        usage,
        at=at,
        replacement_in_days=replacement_in_days,
        confidence=confidence or None,
        explain=explain or None,
    )
    show(answered_here(answer, asked), as_json, print_answer)
