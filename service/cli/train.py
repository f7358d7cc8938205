"""``tideover train``."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from models.base.errors import BadInput
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.progress import shown
from service.cli.surroundings import open_store_here, registry_here, settings_here
from service.core.settings import Settings
from training.files.families import load_families

if TYPE_CHECKING:
    from models.packs.tables import HistoryTables


@plain_errors
def train(
    record: Annotated[
        Path | None,
        typer.Option("--from", help="Folder with the tables of your own record; without it packs are simulated."),
    ] = None,
    from_store: Annotated[bool, typer.Option("--from-store", help="Learn from what is recorded in the store.")] = False,
    packs: Annotated[
        int | None, typer.Option(help="Packs to simulate; as many as the shipped model learned from.", min=1)
    ] = None,
    seed: Annotated[int, typer.Option(help="The same seed and record give the same model.", min=0)] = 0,
    workers: Annotated[int | None, typer.Option(help="Processes side by side; as many as cores, at most 2.")] = None,
    scheduler: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler whose workers do it, as tcp://10.0.0.5:8786.")
    ] = None,
) -> None:
    """Train a model on simulated packs, or let it learn from your own record; it answers if it is no worse."""
    from service.core.scheduler import spread_over
    from service.forecasting.model.training import DEFAULT_PACKS, train_on_record, train_on_simulation, usual_workers
    from training.learning.promotion import RULE

    settings = settings_here()
    registry = registry_here(settings)
    tables = record_here(settings, record, from_store=from_store)
    packs, count, at = packs or DEFAULT_PACKS, workers or usual_workers(), datetime.now(UTC)
    with spread_over(scheduler):
        if tables is None:
            made = train_on_simulation(settings, registry, packs=packs, seed=seed, workers=count, at=at, stages=shown)
            answers = registry.current_id() == made.model_id
            if answers:
                out().print(f"Model {made.model_id} is used from now on.")
            else:
                out().print(f"Model {made.model_id} is stored; {registry.current_id()} goes on answering. {RULE}")
        else:
            if registry.current_id() is None:
                out().print("There is no model to learn further from yet. One is trained now on simulated packs.")
            taught = train_on_record(
                settings, registry, tables, packs=packs, seed=seed, workers=count, at=at, stages=shown
            )
            made, answers = taught.manifest, taught.answering == taught.manifest.model_id
            for sentence in taught.sentences():
                out().print(sentence)
    if answers:
        out().print("See how good it is with `tideover report`.")
    else:
        out().print(f"To let it answer all the same: tideover models promote {made.model_id} --force REASON")


def record_here(settings: Settings, folder: Path | None, *, from_store: bool) -> HistoryTables | None:
    """Read the record that was named: a folder of tables, or the store; None if neither was.

    Raises
    ------
    BadInput
        Both were, or the tables are wrong.
    """
    from service.records.history import tables_of, without_family
    from training.files.tables import read_tables

    families = load_families(settings.own_families_dir)
    if folder is not None and from_store:
        raise BadInput.one("--from-store", "Two records are named.", "Give --from or --from-store, not both.")
    if folder is not None:
        return read_tables(folder, families)
    if not from_store:
        return None
    with open_store_here(settings) as store, store.reading() as session:
        if (unknown := without_family(session, families)) is not None:
            typer.echo(unknown, err=True)
        return tables_of(session, families)
