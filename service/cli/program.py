"""The program ``tideover``: its commands, put together."""

from __future__ import annotations

from importlib.metadata import version
from typing import Annotated

import typer

from service.cli import fleet as fleet_commands
from service.cli import keys as keys_commands
from service.cli import logs as logs_commands
from service.cli import models as models_commands
from service.cli import receivers as receivers_commands
from service.cli import store as store_commands
from service.cli.backup import backup, restore_backup
from service.cli.decisions import orders, release, stock
from service.cli.demo import demo
from service.cli.doctor import doctor
from service.cli.fit import fit
from service.cli.forecast import forecast
from service.cli.imports import calendar, export, guess, import_command
from service.cli.live import drift, live_record
from service.cli.look import families, settings
from service.cli.report import report
from service.cli.score import score
from service.cli.self_check import self_check
from service.cli.serve import serve
from service.cli.simulate import simulate, simulation_page
from service.cli.topup_plan import topup_plan
from service.cli.train import train
from service.cli.what_if import recheck, what_if
from service.cli.worker import worker

app = typer.Typer(
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="How long will a topped-up high-voltage pack hold? A probability over time, and what follows from it.",
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"tideover {version('tideover')}")
        raise typer.Exit


@app.callback()
def tideover(
    _version_asked: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    """Take the options that belong to no command."""


for command in (demo, simulate, simulation_page, train, forecast, topup_plan, report, serve, settings):
    app.command()(command)
app.command("import")(import_command)
app.command("restore")(restore_backup)
for command in (guess, export, calendar, live_record, drift, worker, backup, doctor):
    app.command()(command)
for command in (self_check, score, what_if, recheck, release, orders, stock, fit):
    app.command()(command)
app.add_typer(fleet_commands.app, name="fleet")
app.add_typer(families, name="families")
app.add_typer(models_commands.app, name="models")
app.add_typer(keys_commands.app, name="keys")
app.add_typer(logs_commands.app, name="logs")
app.add_typer(receivers_commands.app, name="receivers")
app.add_typer(store_commands.app, name="store")


def main() -> None:
    """Run the program."""
    app()
