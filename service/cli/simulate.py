"""``tideover simulate``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.progress import shown
from service.cli.surroundings import settings_here
from training.files.families import load_families

PAGE_PACKS = 4000
"""Packs behind the page of `simulation_page`: enough for a table by kind, place and season."""


@plain_errors
def simulate(
    folder: Annotated[Path, typer.Argument(help="Where to write; must not hold an earlier cohort.")],
    packs: Annotated[int, typer.Option(help="How many packs.")] = 1000,
    seed: Annotated[int, typer.Option(help="The same seed gives the same packs.")] = 1,
    family: Annotated[
        list[str] | None, typer.Option(help="Pack family; may be given again; without it the usual mix.")
    ] = None,
    place: Annotated[list[str] | None, typer.Option(help="Place, for its climate; may be given again.")] = None,
    days: Annotated[
        int | None, typer.Option(help="Days followed after the first fault; about half a year.", min=1)
    ] = None,
    workers: Annotated[int, typer.Option(help="Processes that simulate side by side.", min=1)] = 1,
    scheduler: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler whose workers do it, as tcp://10.0.0.5:8786.")
    ] = None,
    csv: Annotated[bool, typer.Option("--csv", help="Write the documented CSV tables instead of Parquet.")] = False,
    marrow_bay: Annotated[
        bool, typer.Option("--marrow-bay", help="Write the demonstration fleet instead; always the same.")
    ] = False,
) -> None:
    """Simulate invented packs, with what a workshop would have seen of them, as Parquet or CSV tables."""
    from service.core.scheduler import spread_over
    from training.files.tables import write_tables
    from training.simulation.cohort import DEFAULT_DAYS, CohortPlan, simulate_cohort, write_cohort
    from training.simulation.marrow_bay import write_fleet

    if marrow_bay:
        write_fleet(folder)
        out().print(f"Wrote the invented Marrow Bay fleet to {folder}.")
        return
    plan = CohortPlan(
        packs=packs, seed=seed, families=tuple(family or ()), places=tuple(place or ()), days=days or DEFAULT_DAYS
    )
    families = load_families(settings_here().own_families_dir)
    with shown("Simulating packs") as progress, spread_over(scheduler):
        if csv:
            cohort = simulate_cohort(plan, families=families, workers=workers, progress=progress)
            write_tables(cohort.tables, folder)
            cohort.truth.to_csv(folder / "truth.csv", index=False, lineterminator="\n")
            made = "one file a table"
        else:
            parts = write_cohort(folder, plan, families=families, workers=workers, progress=progress)
            made = "one part a table" if parts == 1 else f"{parts} parts a table"
    out().print(f"Wrote {packs} invented packs to {folder}, {made}; seed {seed}. Nobody saw what stands in truth.")


@plain_errors
def simulation_page(
    packs: Annotated[int, typer.Option(help="How many packs to simulate for it.")] = PAGE_PACKS,
    seed: Annotated[int, typer.Option(help="The same seed gives the same page.")] = 1,
    workers: Annotated[int, typer.Option(help="Processes that simulate side by side.", min=1)] = 1,
) -> None:
    """Write the page that shows what the simulation does and by which priors, into the report folder."""
    from training.cohort_report import write_cohort_page

    page = write_cohort_page(settings_here().reports_dir, packs=packs, seed=seed, workers=workers)
    out().print(f"Wrote {page}.")
