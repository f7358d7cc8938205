"""``tideover settings`` and ``tideover families``."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from models.base.errors import BadInput
from service.cli.errors import plain_errors
from service.cli.printing import AsJson, out, print_json
from service.cli.surroundings import settings_here
from service.core.settings import settings_table
from training.files.families import load_families, read_family
from training.files.new_family import new_family_toml

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
        known = load_families(settings_here().families_dir).values()
        print_json([family.model_dump(mode="json") for family in known])
        return
    table = Table("name", "chemistry", "blocks", "cells a block", "rated Ah", "title", box=None)
    for family in load_families(settings_here().families_dir).values():
        layout = (str(family.blocks), str(family.cells_per_block), f"{family.rated_ah:g}")
        table.add_row(family.name, family.chemistry, *layout, family.title)
    out().print(table)


@plain_errors
def _require_place(context: typer.Context) -> None:
    if not context.resilient_parsing:  # words are completed without it
        _own_folder()


def _own_folder() -> Path:
    folder = settings_here().families_dir
    if folder is None:
        mend = "Set TIDEOVER_FAMILIES_DIR to a folder of your own, for the service as well."
        raise BadInput.one("TIDEOVER_FAMILIES_DIR", "There is no folder for families of your own.", mend)
    return folder


def _name_checked_first(context: typer.Context, name: str) -> str:
    _require_place(context)
    return name


@families.command("new")
@plain_errors
def new_family(
    name: Annotated[
        str,
        typer.Argument(
            help="Short name, lower case, as slate-17.",
            is_eager=True,  # what stands in the way of all answers is told before the first question
            callback=_name_checked_first,
        ),
    ],
    chemistry: Annotated[str, typer.Option(prompt=True, help="nimh or lithium-ion.")],
    blocks: Annotated[int, typer.Option(prompt=True, help="Series blocks that the controller measures.")],
    cells: Annotated[int, typer.Option(prompt="Cells per block", help="Cells in series in each block.")],
    rated_ah: Annotated[float, typer.Option(prompt="Rated Ah", help="Rated capacity.")],
    title: Annotated[str | None, typer.Option(help="As lists show it; the name, if left out.")] = None,
) -> None:
    """Describe a kind of pack by a few words; the rest is taken over from a shipped family, marked as such."""
    folder = _own_folder()
    path = folder / f"{Path(name).name}.toml"
    if path.exists() or name in load_families(folder):
        raise BadInput.one("name", f"the family name {name} is taken.", "Choose another name.")
    text = new_family_toml(name, (title or name).replace('"', "'"), chemistry, blocks, cells, rated_ah)
    path.write_text(text, encoding="utf-8")
    try:
        family = read_family(path)
    except BadInput:
        path.unlink()
        raise
    low, high = (float(v) * family.cells_per_block for v in (family.curves.ocv_v[0], family.curves.ocv_v[-1]))
    out().print(f"{path} is written. Look it over: what was not said of it is marked.")
    out().print(f"A block of it rests between {low:.4g} V (empty) and {high:.4g} V (full). Check that with a reading.")
