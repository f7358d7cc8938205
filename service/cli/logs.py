"""``tideover logs``: list, export, remove raw drive logs that an import kept."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from models.base.errors import BadInput
from service.cli.asking import pack_meant, store_now
from service.cli.errors import plain_errors
from service.cli.printing import AsJson, out, print_json
from service.cli.surroundings import open_store_here, settings_here

app = typer.Typer(no_args_is_help=True, help="List, export and remove raw drive logs that `import --keep-logs` kept.")

Number = Annotated[int, typer.Argument(help="Number of the log, as `tideover logs list` shows it.")]


@app.command("list")
@plain_errors
def list_logs(
    pack: Annotated[str | None, typer.Option(help="Only those of this pack, or of the one in this vehicle.")] = None,
    as_json: AsJson = False,
) -> None:
    """List the logs: of which pack, when, how many rows, how large."""
    from sqlalchemy import select

    from service.exchange.drive_logs.routes import facts_of
    from service.store.schema import DriveLog

    with store_now() as (session, now):
        of = [] if pack is None else [DriveLog.pack_id == pack_meant(session, pack, now)]
        found = [facts_of(row) for row in session.scalars(select(DriveLog).where(*of).order_by(DriveLog.id))]
    if as_json:
        print_json([one.model_dump(mode="json") for one in found])
        return
    table = Table("number", "pack", "begins", "ends", "rows", "kB", "file", box=None)
    for one in found:
        times = (one.begins_at.isoformat(" ", "minutes"), one.ends_at.isoformat(" ", "minutes"))
        table.add_row(str(one.id), one.pack_id, *times, str(one.rows), f"{one.size_bytes / 1000:.0f}", one.file)
    out().print(table)
    out().print(f"{sum(one.size_bytes for one in found) / 1e6:.1f} MB in all.")


@app.command("export")
@plain_errors
def export_log(
    number: Number, file: Annotated[Path, typer.Argument(help="Where to write it, as Parquet; must not be there yet.")]
) -> None:
    """Write a log as Parquet, in the columns of the documented readings."""
    from service.exchange.drive_logs.routes import the_log

    if file.exists():
        raise BadInput.one(str(file), "It is there already.", "Give a name that is not taken.")
    with open_store_here(settings_here()) as store, store.reading() as session:
        content = the_log(session, number).content
    with file.open("xb") as target:
        target.write(content)
    out().print(f"Log {number} is written to {file}.")


@app.command("remove")
@plain_errors
def remove_log(number: Number) -> None:
    """Remove a log for good; the readings that tell of it stay."""
    from service.exchange.drive_logs.routes import the_log

    with open_store_here(settings_here()) as store, store.writing() as session:
        session.delete(the_log(session, number))
    out().print(f"Log {number} is removed.")
