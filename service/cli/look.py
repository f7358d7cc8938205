"""``tideover settings`` and ``tideover families``."""

from __future__ import annotations

from rich.table import Table

from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import settings_here
from service.core.settings import settings_table
from training.files.families import load_families


@plain_errors
def settings() -> None:
    """Print every setting: its variable, its value now, default, limit and meaning."""
    now = settings_here()
    for row in settings_table():
        value = getattr(now, row.name)
        limit = f", {row.limit}" if row.limit else ""
        out().print(f"{row.variable} = {'none' if value is None else value}")
        out().print(f"    {row.help_text}")
        out().print(f"    {row.kind}{limit}; default {row.default}")


@plain_errors
def families() -> None:
    """List the pack families that a history can name."""
    table = Table("name", "chemistry", "blocks", "cells a block", "rated Ah", "title", box=None)
    for family in load_families(settings_here().families_dir).values():
        layout = (str(family.blocks), str(family.cells_per_block), f"{family.rated_ah:g}")
        table.add_row(family.name, family.chemistry, *layout, family.title)
    out().print(table)
