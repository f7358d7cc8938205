"""``tideover demo``: the invented fleet of Marrow Bay, from nothing to a forecast in one command."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from models.base.errors import ModelRefused
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.progress import shown
from service.cli.surroundings import registry_here, settings_here
from training.files.families import load_families

REPLACEMENT_DAYS = 7
"""A pack ordered today is at Marrow Bay in about a week. Invented."""
SEED = 0
DEMO_PACKS = 5000
"""Packs to simulate where there is no model yet: enough for a sound demonstration, trained in minutes."""


@plain_errors
def demo(
    serve: Annotated[bool, typer.Option(help="Go on to answer over REST.")] = True,
    packs: Annotated[int, typer.Option(help="Packs to simulate if there is no model yet.", min=1)] = DEMO_PACKS,
) -> None:
    """Make the Marrow Bay fleet, train a model if there is none, and forecast a van waiting for its pack."""
    from models.forecaster import Forecaster
    from service.cli.answers import print_answer
    from service.cli.case_file import case_asked, case_from_tables
    from service.cli.serve import run_service
    from service.forecasting.forecasts.answers import answer
    from service.forecasting.forecasts.picture import draw_hold_curve
    from service.forecasting.forecasts.schemas import ForecastCase
    from service.forecasting.model.training import train_on_simulation, usual_workers
    from training.files.tables import write_tables
    from training.simulation.marrow_bay import demo_van, marrow_bay_fleet

    settings = settings_here()
    families = load_families(settings.own_families_dir)
    console = out()
    console.print("Marrow Bay is an invented island municipality; its vans, cabs and clinic cars are invented too.")
    fleet = marrow_bay_fleet(families)
    van = demo_van(fleet)
    folder = settings.home / "marrow-bay"
    settings.home.mkdir(mode=0o700, parents=True, exist_ok=True)
    write_tables(fleet, folder)
    registry = registry_here(settings)
    try:
        model = registry.load_current(Forecaster)
    except ModelRefused as error:
        console.print(f"{error.args[0].what} One is trained now on simulated packs; this takes a few minutes.")
        train_on_simulation(
            settings,
            registry,
            packs=packs,
            seed=SEED,
            workers=usual_workers(),
            at=datetime.now(UTC),
            stages=shown,
        )
        model = registry.load_current(Forecaster)
    case = case_asked(ForecastCase, case_from_tables(folder, van, families), replacement_in_days=REPLACEMENT_DAYS)
    at = case.history.last_fact_time  # the record is of years ago, and so is the question
    case = case.model_copy(update={"at": at})
    given = answer(case, model.model, families, threads=settings.threads)
    console.print()
    print_answer(given)
    picture = settings.pictures_dir / f"{van}.svg"
    draw_hold_curve(given, picture)
    console.print()
    console.print(f"The curve as a picture: {picture}")
    console.print(
        f"What if it is driven less? tideover forecast --data {folder} --pack {van} "
        f"--at {at:%Y-%m-%dT%H:%M:%SZ} --km-per-day 8"
    )
    if serve:
        run_service(settings)
