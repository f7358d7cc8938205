"""``tideover backup`` and ``tideover restore``."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from models.base import counts
from service.cli.errors import plain_errors
from service.cli.printing import AsJson, out, print_json
from service.cli.surroundings import open_store_here, settings_here


@plain_errors
def backup(
    folder: Annotated[Path, typer.Argument(help="Where to write the backup; must not be there yet.")],
    as_json: AsJson = False,
) -> None:
    """Back up the store and the models while the service runs. Keep it as safe as the store itself."""
    from service.operation.backup import back_up

    settings = settings_here()
    with open_store_here(settings, any_schema=True) as store:
        copied = back_up(store, settings.models_dir, folder.absolute(), datetime.now(UTC), settings.own_families_dir)
    if as_json:
        print_json(copied)
        return
    out().print(f"Backed up {counts.rows(sum(copied.values()))} in {len(copied)} tables, and the models, to {folder}.")


@plain_errors
def restore_backup(
    folder: Annotated[Path, typer.Argument(help="A folder made by `tideover backup`.")], as_json: AsJson = False
) -> None:
    """Fill an empty store from a backup, SQLite or PostgreSQL, whichever it was made from."""
    from service.operation.backup import restore

    settings = settings_here()
    with open_store_here(settings, any_schema=True) as store:
        copied = restore(store, settings.models_dir, folder, settings.own_families_dir)
    if as_json:
        print_json(copied)
        return
    out().print(f"Restored {counts.rows(sum(copied.values()))} in {len(copied)} tables, and the models.")
