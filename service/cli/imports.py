"""``tideover guess``, ``import``, ``export`` and ``calendar``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import typer
from rich.table import Table

from models.base import counts
from models.base.errors import BadInput
from service.cli.asking import moment_of
from service.cli.errors import BAD_INPUT_STATUS, FAILURE_STATUS, plain_errors
from service.cli.printing import PIPE_WIDTH, AsJson, PlainConsole, echo, out, plain, print_json
from service.cli.scoring import print_scoring, score_store
from service.cli.surroundings import COMMAND_LINE, open_store_here, settings_here
from training.files.families import load_families

if TYPE_CHECKING:
    from service.exchange.exports.tables import FileFormat
    from service.exchange.imports.loading import ImportReport

TOLD_EVERY = 100_000
"""Rows between two lines of progress."""


@plain_errors
def guess(
    file: Annotated[
        Path, typer.Argument(help="A logger's file of readings: text in columns, spreadsheet, Parquet, JSON records.")
    ],
    pack: Annotated[str | None, typer.Option(help="The pack that it tells of.")] = None,
    zone: Annotated[str | None, typer.Option(help="Time zone of the logger's clock, as Atlantic/Azores.")] = None,
    ask: Annotated[bool, typer.Option("--ask", help="Ask here what the file does not tell.")] = False,
    output: Annotated[Path | None, typer.Option(help="Write the mapping there instead of printing it.")] = None,
) -> None:
    """Say how a logger's file is understood, as a mapping; what it does not tell is asked. Then import with it."""
    from service.exchange.imports.guess import understand

    if not file.is_file():
        raise BadInput.one(str(file), "There is no such file.", "Check the path.")
    answers = {key: said for key, said in (("fixed.pack_id", pack), ("time.zone", zone)) if said is not None}
    blocks = None if pack is None else _blocks_of(pack)
    found = understand(file, answers, blocks_of_pack=blocks)
    while ask and found.questions:
        question = found.questions[0]
        choices = f" ({', '.join(question.choices)})" if question.choices else ""
        said = typer.prompt(
            plain(f"{question.text}{choices}"),
            default=question.suggested,
            show_default=bool(question.suggested),
            err=True,
        )
        if not said:
            echo("Nothing was taken: there is no suggestion here, so it needs an answer.", err=True)
            continue
        answers[question.key] = said
        if said == question.suggested:
            echo(f"Taken as suggested: {said}.", err=True)
        if question.key == "fixed.pack_id":
            blocks = _blocks_of(answers[question.key])
        if question.key == "time.zone" and not _is_zone(answers[question.key]):
            echo("This zone is not known. Give a name as Atlantic/Azores, or UTC.", err=True)
            del answers[question.key]
        found = understand(file, answers, blocks_of_pack=blocks)
    table = Table("column", "taken for", "unit", "first values", box=None)
    for column in found.columns:
        taken = f"nothing: {column.why_unused}" if column.why_unused else column.meaning
        table.add_row(column.heading, taken, column.unit, ", ".join(column.values))
    PlainConsole(stderr=True, highlight=False, markup=False, no_color=True, width=PIPE_WIDTH).print(table)
    for question in found.questions:
        echo(question.text, err=True)
    if output is None:
        echo(found.as_toml(), nl=False)
    else:
        output.write_text(found.as_toml(), encoding="utf-8")


def _blocks_of(pack: str) -> int | None:
    """Return how many blocks a stored pack has, None if it is not stored."""
    from service.store.schema import Pack

    settings = settings_here()
    with open_store_here(settings) as store, store.reading() as session:
        row = session.get(Pack, pack)
        family = None if row is None else load_families(settings.own_families_dir).get(row.family)
    return None if family is None else family.blocks


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return False
    return True


@plain_errors
def import_command(
    path: Annotated[Path, typer.Argument(help="Folder of documented tables, one table, a logger's file, or JSON.")],
    mapping: Annotated[
        Path | None, typer.Option(help="Mapping of the file (TOML); `tideover guess` makes one.")
    ] = None,
    pack: Annotated[
        str | None, typer.Option(help="The pack of this file, instead of the one that the mapping names.")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option(help="Check everything and list every fault; store nothing. Status 1 if a row is bad.")
    ] = False,
    keep_good: Annotated[bool, typer.Option(help="Store the good rows even if others are bad.")] = False,
    keep_logs: Annotated[
        bool, typer.Option(help="Keep drive logs raw, beside the readings that tell of them; see `tideover logs`.")
    ] = False,
    forecasts: Annotated[
        bool, typer.Option(help="Then forecast every pack that is out on a top-up, where there is a model.")
    ] = True,
    as_json: AsJson = False,
) -> None:
    """Take files into the store: all of them or, if a single row is bad, nothing.

    Status 1 if a file of the folder was passed over; of an own export what tells of the store is left without that.
    """
    from service.exchange.imports.loading import import_files
    from service.exchange.imports.mapping import read_mapping
    from service.records.versions import Writer

    settings = settings_here()
    wanted = None if mapping is None else read_mapping(mapping, fixed={} if pack is None else {"pack_id": pack})
    if pack is not None and wanted is None:
        raise BadInput.one("--pack", "Without a mapping each row names its own pack.", "Give --mapping as well.")
    if wanted is not None and not path.is_file():
        raise BadInput.one("--mapping", "A mapping is for one file.", "Name the file instead of a folder.")
    families = load_families(settings.own_families_dir)
    with open_store_here(settings) as store:
        found = import_files(
            store,
            path,
            families,
            Writer(COMMAND_LINE, datetime.now(UTC)),
            mapping=wanted,
            dry_run=dry_run,
            keep_good=keep_good,
            keep_logs=keep_logs,
            progress=_told_now_and_then(),
        )
        scored = score_store(store, settings, families) if found.stored and forecasts else None
    if as_json:
        print_json(asdict(found) | {"scoring": scored})
    else:
        print_import(found, dry_run=dry_run)
        if keep_logs and not found.logs_kept:
            echo("There was no drive log to keep: only what one reading a state stands for is kept raw.")
        if scored is not None:
            print_scoring(scored)
    if found.faults_in_all and dry_run:
        raise typer.Exit(FAILURE_STATUS)
    if found.faults_in_all and not keep_good:
        raise typer.Exit(BAD_INPUT_STATUS)
    if found.missed:
        raise typer.Exit(FAILURE_STATUS)


def _told_now_and_then() -> Callable[[int, str], None]:
    told = 0

    def progress(done: int, file: str) -> None:
        nonlocal told
        if done // TOLD_EVERY > told:
            told = done // TOLD_EVERY
            echo(f"Importing: {done} rows read, now in {file}", err=True)

    return progress


def print_import(report: ImportReport, *, dry_run: bool) -> None:
    """Print every fault, then what was read, good and stored."""
    for fault in report.faults:
        column = f" column {fault.column}" if fault.column else ""
        echo(f"{fault.file} row {fault.row}{column}: {fault.reason} {fault.mend}")
    if report.faults_in_all > len(report.faults):
        echo(f"... and {report.faults_in_all - len(report.faults)} more faults that are not listed.")
    for doubt in report.doubts:
        column = f" column {doubt.column}" if doubt.column else ""
        echo(f"Look at {doubt.file} row {doubt.row}{column}: {doubt.reason} {doubt.mend}")
    if report.doubts_in_all > len(report.doubts):
        echo(f"... and {report.doubts_in_all - len(report.doubts)} more that look like slips.")
    for table, read in report.read.items():
        echo(f"{table}: {counts.rows(read)} read, {report.taken.get(table, 0)} good")
    if report.logs_kept:
        echo(f"{counts.logs(report.logs_kept)} kept raw.")
    for name, mend in report.passed_over.items():
        echo(f"{name} is not imported. {mend}")
    if report.stored:
        whole = "All rows of the tables above are stored." if report.passed_over else "All rows are stored."
        echo("The good rows are stored." if report.faults_in_all else whole)
    elif dry_run:
        echo("A dry run: nothing was stored.")
    else:
        echo("Nothing was stored. Correct the rows above, or use --keep-good to leave them out.")


@plain_errors
def export(
    folder: Annotated[Path, typer.Argument(help="Where to write; made if it is not there.")],
    form: Annotated[str, typer.Option("--format", help="csv or parquet.")] = "csv",
    since: Annotated[
        str | None, typer.Option(help="Only what was recorded, corrected or withdrawn since, as 2026-03-02T08:30:00Z.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Write everything in the store as files, one a table; access keys stay out."""
    from service.exchange.exports.tables import export_all

    known: dict[str, FileFormat] = {"csv": "csv", "parquet": "parquet"}
    if form not in known:
        raise BadInput.one("--format", f"There is no format {form!r}.", "Choose csv or parquet.")
    begin = None if since is None else moment_of("--since", since)
    settings = settings_here()
    with open_store_here(settings) as store, store.reading() as session:
        written = export_all(session, folder, known[form], load_families(settings.own_families_dir), begin)
    if as_json:
        print_json(written)
        return
    for name, count in written.items():
        out().print(f"{name}: {counts.rows(count)}")


@plain_errors
def calendar() -> None:
    """Print recheck and order days as an iCalendar feed."""
    from service.decisions.calendar.feed import days_due, feed
    from training.files.families import load_families

    now = datetime.now(UTC)
    settings = settings_here()
    with open_store_here(settings) as store, store.reading() as session:
        zone = ZoneInfo(settings.time_zone)
        for part in feed(days_due(session, now, zone, load_families(settings.own_families_dir)), now, zone):
            typer.echo(part, nl=False)
