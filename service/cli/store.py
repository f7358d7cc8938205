"""``tideover store upgrade``."""

from __future__ import annotations

import typer

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
    """Bring the database's schema up to date, all of it or nothing. Make a backup first."""
    from service.store.upgrading import newest_revision, schema_revision, upgrade

    with open_store_here(settings_here(), any_schema=True) as store:
        before = schema_revision(store)
        upgrade(store)
    out().print(f"The schema was {before or 'not there'}; it is {newest_revision()} now.")
