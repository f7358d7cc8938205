"""``tideover models``: list, card, compare, promote, history, rollback."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from models.base.errors import BadInput, ModelRefused
from service.cli.errors import plain_errors
from service.cli.printing import AsJson, out, print_json
from service.cli.surroundings import registry_here, settings_here

if TYPE_CHECKING:
    from training.registry import ModelRegistry

app = typer.Typer(no_args_is_help=True, help="List trained models, read their cards, choose which one answers.")
ModelId = Annotated[str, typer.Argument(metavar="MODEL", help="Name of the model, as `tideover models list` shows it.")]


@app.command("list")
@plain_errors
def list_models(as_json: AsJson = False) -> None:
    """List every trained model; the current one is marked."""
    registry = registry_here(settings_here())
    current = registry.current_id()
    if as_json:
        print_json([_listed(registry, name, current) for name in registry.names()])
        return
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


def _listed(registry: ModelRegistry, name: str, current: str | None) -> dict[str, Any]:
    """Return what a list says of a model."""
    try:
        manifest = registry.manifest(name)
    except ModelRefused as error:
        return {"model_id": name, "current": name == current, "refused": str(error)}
    facts = manifest.model_dump(mode="json", include={"model_id", "created", "families", "scores"})
    return {**facts, "current": name == current, "refused": None}


@app.command("card")
@plain_errors
def card(model: ModelId, as_json: AsJson = False) -> None:
    """Print a model's card in Markdown."""
    from training.registry import model_card

    if as_json:
        print_json(registry_here(settings_here()).manifest(model).model_dump(mode="json"))
        return
    out().print(model_card(registry_here(settings_here()).manifest(model)), end="")


@app.command("compare")
@plain_errors
def compare(
    challenger: ModelId,
    current: Annotated[str, typer.Argument(metavar="OTHER", help="The model to compare it with.")],
    record: Annotated[Path | None, typer.Option("--from", help="Folder with the tables of a record.")] = None,
    from_store: Annotated[bool, typer.Option("--from-store", help="Compare on what is recorded in the store.")] = False,
    as_json: AsJson = False,
) -> None:
    """Compare two models on a record, on moments that neither has learned from."""
    from service.cli.train import record_here
    from service.forecasting.model.learning import compare_stored
    from training.learning.promotion import RULE

    settings = settings_here()
    tables = record_here(settings, record, from_store=from_store)
    if tables is None:
        raise BadInput.one("compare", "Nothing says on which record.", "Give --from FOLDER or --from-store.")
    found = compare_stored(registry_here(settings), challenger, current, tables, datetime.now(UTC))
    if as_json:
        print_json({"challenger": challenger, "current": current, **asdict(found), "sentence": found.sentence()})
        return
    out().print(f"{challenger} as challenger, {current} as current model.")
    out().print(found.sentence())
    out().print(RULE)


@app.command("promote")
@plain_errors
def promote(
    model: ModelId,
    record: Annotated[
        Path | None, typer.Option("--from", help="Folder with the tables of a record on which it must be no worse.")
    ] = None,
    from_store: Annotated[
        bool, typer.Option("--from-store", help="It must be no worse on what is recorded in the store.")
    ] = False,
    force: Annotated[
        str | None, typer.Option(metavar="REASON", help="Promote without comparison; the reason is recorded.")
    ] = None,
) -> None:
    """Let a model answer from now on, if it is no worse than the current one."""
    from service.cli.train import record_here
    from service.forecasting.model.learning import promote_on_record

    settings = settings_here()
    tables = record_here(settings, record, from_store=from_store)
    judgement = promote_on_record(registry_here(settings), model, datetime.now(UTC), tables, force)
    if judgement is not None:
        out().print(judgement.sentence())
    out().print(f"{model} is used from now on.")


@app.command("history")
@plain_errors
def history(as_json: AsJson = False) -> None:
    """List every promotion and rollback, oldest first, and why."""
    moves = registry_here(settings_here()).history()
    if as_json:
        print_json([move.model_dump(mode="json") for move in moves])
        return
    if not moves:
        out().print("No model was ever promoted.")
    for move in moves:
        out().print(f"{move.at.isoformat(timespec='minutes')} {move.action} {move.model_id} {move.why}".rstrip())


@app.command("rollback")
@plain_errors
def rollback() -> None:
    """Go back to the model that answered before."""
    out().print(f"{registry_here(settings_here()).rollback(datetime.now(UTC))} is used again.")
