"""``tideover simulate``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.progress import shown
from service.cli.surroundings import settings_here
from training.cohort import DEFAULT_DAYS, CohortPlan, write_cohort
from training.families import load_families


@plain_errors
def simulate(
    folder: Annotated[Path, typer.Argument(help="Where to write; must not hold an earlier cohort.")],
    packs: Annotated[int, typer.Option(help="How many packs.")] = 1000,
    seed: Annotated[int, typer.Option(help="The same seed gives the same packs.")] = 1,
    family: Annotated[
        list[str] | None, typer.Option(help="Pack family; may be given again; without it the usual mix.")
    ] = None,
    place: Annotated[list[str] | None, typer.Option(help="Place, for its climate; may be given again.")] = None,
    days: Annotated[int, typer.Option(help="Days followed after the first fault.")] = DEFAULT_DAYS,
    workers: Annotated[int, typer.Option(help="Processes that simulate side by side.", min=1)] = 1,
) -> None:
    """Simulate invented packs, with what a workshop would have seen of them, as Parquet tables."""
    plan = CohortPlan(packs=packs, seed=seed, families=tuple(family or ()), places=tuple(place or ()), days=days)
    families = load_families(settings_here().families_dir)
    with shown("Simulating packs") as progress:
        parts = write_cohort(folder, plan, families=families, workers=workers, progress=progress)
    out().print(f"Wrote {packs} invented packs to {folder} in {parts} part(s) a table; seed {seed}.")
