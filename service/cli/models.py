"""``tideover models``: list, card, promote, rollback."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.table import Table

from models.problems import ModelRefused
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import registry_here, settings_here
from training.registry import model_card

app = typer.Typer(no_args_is_help=True, help="List trained models, read their cards, choose which one answers.")
ModelId = Annotated[str, typer.Argument(metavar="MODEL", help="Name of the model, as `tideover models list` shows it.")]


@app.command("list")
@plain_errors
def list_models() -> None:
    """List every trained model; the current one is marked."""
    registry = registry_here(settings_here())
    current = registry.current_id()
    table = Table("", "model", "made", "packs of", box=None)
    for name in registry.names():
        mark = "current" if name == current else ""
        try:
            manifest = registry.manifest(name)
        except ModelRefused as error:
            table.add_row("refused", name, "", str(error))
        else:
            table.add_row(mark, name, manifest.created.isoformat(timespec="minutes"), ", ".join(manifest.families))
    if not registry.names():
        out().print("There is no trained model yet. Make one with `tideover train`, or try `tideover demo`.")
        return
    out().print(table)


@app.command("card")
@plain_errors
def card(model: ModelId) -> None:
    """Print a model's card in Markdown."""
    out().print(model_card(registry_here(settings_here()).manifest(model)), end="")


@app.command("promote")
@plain_errors
def promote(model: ModelId) -> None:
    """Let a model answer from now on."""
    registry_here(settings_here()).promote(model, datetime.now(UTC))
    out().print(f"{model} answers from now on.")


@app.command("rollback")
@plain_errors
def rollback() -> None:
    """Go back to the model that answered before."""
    out().print(f"{registry_here(settings_here()).rollback(datetime.now(UTC))} answers again.")
