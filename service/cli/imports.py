"""``tideover guess``, ``import``, ``export`` and ``calendar``."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from models.base.errors import BadInput
from service.cli.errors import BAD_INPUT_STATUS, plain_errors
from service.cli.printing import out
from service.cli.surroundings import open_store_here, settings_here
from training.files.families import load_families

if TYPE_CHECKING:
    from service.exchange.exports.tables import FileFormat
    from service.exchange.imports.loading import ImportReport

COMMAND_LINE = "command line"
TOLD_EVERY = 100_000
"""Rows between two lines of progress."""


@plain_errors
def guess(
    file: Annotated[Path, typer.Argument(help="A logger's file of readings, CSV or Parquet.")],
) -> None:
    """Print a guess at the mapping of a logger's file: save it, answer its questions, then import with it."""
    from service.exchange.imports.guess import guess_mapping

    mapping, questions = guess_mapping(file)
    typer.echo(mapping, nl=False)
    for question in questions:
        typer.echo(question, err=True)


@plain_errors
def import_command(
    path: Annotated[Path, typer.Argument(help="Folder of documented tables, one table, a logger's file, or JSON.")],
    mapping: Annotated[
        Path | None, typer.Option(help="Mapping of the file (TOML); `tideover guess` makes one.")
    ] = None,
    dry_run: Annotated[bool, typer.Option(help="Check everything and list every fault; store nothing.")] = False,
    keep_good: Annotated[bool, typer.Option(help="Store the good rows even if others are bad.")] = False,
) -> None:
    """Take files into the store: all of them or, if a single row is bad, nothing."""
    from service.exchange.imports.loading import import_files
    from service.exchange.imports.mapping import read_mapping
    from service.records.records import Writer

    settings = settings_here()
    wanted = None if mapping is None else read_mapping(mapping)
    if wanted is not None and not path.is_file():
        raise BadInput.one("--mapping", "A mapping is for one file.", "Name the file instead of a folder.")
    families = load_families(settings.families_dir)
    with open_store_here(settings) as store:
        found = import_files(
            store,
            path,
            families,
            Writer(COMMAND_LINE, datetime.now(UTC)),
            mapping=wanted,
            dry_run=dry_run,
            keep_good=keep_good,
            progress=_told_now_and_then(),
        )
    print_import(found, dry_run=dry_run)
    if found.faults_in_all and not (keep_good or dry_run):
        raise typer.Exit(BAD_INPUT_STATUS)


def _told_now_and_then() -> Callable[[int, str], None]:
    told = 0

    def progress(done: int, file: str) -> None:
        nonlocal told
        if done // TOLD_EVERY > told:
            told = done // TOLD_EVERY
            typer.echo(f"Importing: {done} rows read, now in {file}", err=True)

    return progress


def print_import(report: ImportReport, *, dry_run: bool) -> None:
    """Print every fault, then what was read, good and stored."""
    for fault in report.faults:
        column = f" column {fault.column}" if fault.column else ""
        typer.echo(f"{fault.file} row {fault.row}{column}: {fault.reason} {fault.mend}")
    if report.faults_in_all > len(report.faults):
        typer.echo(f"... and {report.faults_in_all - len(report.faults)} more faults that are not listed.")
    for table, read in report.read.items():
        typer.echo(f"{table}: {read} rows read, {report.taken.get(table, 0)} good")
    if report.stored:
        typer.echo("The good rows are stored." if report.faults_in_all else "All of it is stored.")
    elif dry_run:
        typer.echo("A dry run: nothing was stored.")
    else:
        typer.echo("Nothing was stored. Correct the rows above, or use --keep-good to leave them out.")


@plain_errors
def export(
    folder: Annotated[Path, typer.Argument(help="Where to write; made if it is not there.")],
    form: Annotated[str, typer.Option("--format", help="csv or parquet.")] = "csv",
) -> None:
    """Write everything in the store as files, one a table; access keys stay out."""
    from service.exchange.exports.tables import export_all

    known: dict[str, FileFormat] = {"csv": "csv", "parquet": "parquet"}
    if form not in known:
        raise BadInput.one("--format", f"There is no format {form!r}.", "Choose csv or parquet.")
    settings = settings_here()
    with open_store_here(settings) as store, store.reading() as session:
        counts = export_all(session, folder, known[form], load_families(settings.families_dir))
    for name, count in counts.items():
        out().print(f"{name}: {count} rows")


@plain_errors
def calendar() -> None:
    """Print recheck and order days as an iCalendar feed."""
    from service.decisions.calendar.feed import days_due, feed

    now = datetime.now(UTC)
    settings = settings_here()
    with open_store_here(settings) as store, store.reading() as session:
        typer.echo(feed(days_due(session, now, ZoneInfo(settings.time_zone)), now), nl=False)
