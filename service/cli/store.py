"""``tideover store upgrade``."""

from __future__ import annotations

import typer

from models.base import counts
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import open_store_here, settings_here

app = typer.Typer(no_args_is_help=True, help="Look after the store's database.")


@app.callback()
def look_after() -> None:
    """Look after the store's database."""


@app.command("upgrade")
@plain_errors
def upgrade_store() -> None:
    """Bring the database's schema up to date, all of it or nothing. Make a backup first.

    Then every pack on record is asked for what stops it, by the rules of this version.
    """
    from service.records.stopped import how_many_under_stop, mind_all_facts
    from service.store.upgrading import newest_revision, schema_revision, upgrade
    from training.files.families import load_families

    settings = settings_here()
    with open_store_here(settings, any_schema=True) as store:
        before = schema_revision(store)
        upgrade(store)
        out().print(f"The schema was {before or 'not there'}; it is {newest_revision()} now.")
        mind_all_facts(store, load_families(settings.own_families_dir))
        with store.reading() as session:
            stopped = how_many_under_stop(session)
    if stopped:
        out().print(f"{counts.packs(stopped)} under a stop: look at them first (the first page lists them).")
