"""``tideover settings`` and ``tideover families``."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer
from pydantic import ValidationError
from rich.table import Table

from models.base.errors import BadInput, problems_from
from service.cli.errors import plain_errors
from service.cli.printing import AsJson, out, print_json
from service.cli.surroundings import settings_here
from service.core.settings import settings_table
from training.files.families import load_families
from training.files.new_family import NewFamily, resting_range, write_family

families = typer.Typer(help="List the pack families that a history can name, or describe a new one.")


@plain_errors
def settings(as_json: AsJson = False) -> None:
    """Print every setting: its variable, its value now, default, limit and meaning."""
    now = settings_here()
    if as_json:
        print_json([{**asdict(row), "value": getattr(now, row.name)} for row in settings_table()])
        return
    for row in settings_table():
        value = getattr(now, row.name)
        limit = f", {row.limit}" if row.limit else ""
        out().print(f"{row.variable} = {'none' if value is None else value}")
        out().print(f"    {row.help_text}")
        out().print(f"    {row.kind}{limit}; default {row.default}")


@families.callback(invoke_without_command=True)
@plain_errors
def list_families(context: typer.Context, as_json: AsJson = False) -> None:
    """List the pack families that a history can name."""
    if context.invoked_subcommand is not None:
        return
    if as_json:
        known = load_families(settings_here().own_families_dir).values()
        print_json([family.model_dump(mode="json") for family in known])
        return
    table = Table("name", "chemistry", "blocks", "cells a block", "rated Ah", "title", box=None)
    for family in load_families(settings_here().own_families_dir).values():
        layout = (str(family.blocks), str(family.cells_per_block), f"{family.rated_ah:g}")
        table.add_row(family.name, family.chemistry, *layout, family.title)
    out().print(table)


@families.command("new")
@plain_errors
def new_family(
    name: Annotated[str, typer.Argument(help="Short name, lower case, as slate-17.")],
    chemistry: Annotated[str, typer.Option(prompt=True, help="nimh or lithium-ion.")],
    blocks: Annotated[int, typer.Option(prompt=True, help="Series blocks that the controller measures.")],
    cells: Annotated[int, typer.Option(prompt="Cells per block", help="Cells in series in each block.")],
    rated_ah: Annotated[float, typer.Option(prompt="Rated Ah", help="Rated capacity.")],
    title: Annotated[str | None, typer.Option(help="As lists show it; the name, if left out.")] = None,
    rest_v: Annotated[
        float | None, typer.Option(help="One sound block as read at rest, in V: what was said is checked against it.")
    ] = None,
    label_read: Annotated[
        bool, typer.Option("--label-read", help="The chemistry was read on a pack's label; volts do not tell it.")
    ] = False,
) -> None:
    """Describe a kind of pack by a few words; the rest is taken over from a shipped family, marked as such."""
    words = {"name": name, "title": title, "chemistry": chemistry, "blocks": blocks, "cells_per_block": cells}
    try:
        wanted = NewFamily.model_validate(words | {"rated_ah": rated_ah, "rest_v": rest_v, "label_read": label_read})
    except ValidationError as error:
        raise BadInput(problems_from(error)) from None
    folder = settings_here().own_families_dir
    family, _ = write_family(wanted, folder)
    low, high = resting_range(family)
    out().print(f"{folder / family.name}.toml is written. Look it over: what was not said of it is marked.")
    said = "Check that with a reading." if rest_v is None else f"{rest_v:g} V lies between."
    out().print(f"A block of it rests between {low:.4g} V (empty) and {high:.4g} V (full). {said}")
