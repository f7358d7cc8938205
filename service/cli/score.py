"""``tideover score``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from models.base import counts
from models.base.errors import BadInput
from service.cli.errors import plain_errors
from service.cli.printing import AsJson, out, print_json
from service.cli.progress import shown
from service.cli.surroundings import registry_here, settings_here
from training.files.families import load_families


@plain_errors
def score(
    source: Annotated[Path, typer.Option("--in", help="Folder of the documented tables, as Parquet.")],
    target: Annotated[Path, typer.Option("--out", help="Where to write; a run that was cut off goes on there.")],
    at: Annotated[
        str | None, typer.Option(help="Moment of all forecasts, as 2026-03-02T08:30:00+00:00; else each newest fact.")
    ] = None,
    workers: Annotated[int, typer.Option(help="Processes side by side.", min=1)] = 1,
    scheduler: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler whose workers do it, as tcp://10.0.0.5:8786.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Forecast every pack of a folder, a million as well as one, and say which packs get no figure and why."""
    from models.forecaster import Forecaster
    from service.core.cautions import all_cautions
    from service.forecasting.bulk.scoring import score_folder

    settings = settings_here()
    families = load_families(settings.own_families_dir)
    model = registry_here(settings).load_current(Forecaster).model
    try:
        moment = None if at is None else datetime.fromisoformat(at)
    except ValueError:
        raise BadInput.one("at", f"'{at}' is no time.", "Write it as 2026-03-02T08:30:00+00:00.") from None
    with shown("Forecasting packs") as progress:
        came = score_folder(
            model, source, target, families, at=moment, workers=workers, scheduler=scheduler, progress=progress
        )
    if as_json:
        print_json({"forecasts": came.forecasts, "refused": came.refused, "cautions": list(all_cautions(None))})
        return
    out().print(f"{target}/scored holds {counts.forecasts(came.forecasts)}.")
    out().print(f"{came.refused} got none; why is in {target}/refused.")
    out().print("Cautions")
    for caution in all_cautions(None):
        out().print(f"- {caution}")
