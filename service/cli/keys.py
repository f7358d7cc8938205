"""``tideover keys``: create, list, revoke."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.table import Table

from models.base.errors import BadInput
from service.access.callers import ROLES
from service.cli.errors import plain_errors
from service.cli.printing import AsJson, echo, out, print_json
from service.cli.surroundings import open_store_here, settings_here

app = typer.Typer(no_args_is_help=True, help="Make, list and revoke the access keys of the REST service.")


@app.command("create")
@plain_errors
def create(
    role: Annotated[str, typer.Option(help=f"What the key may do: {', '.join(ROLES)}.")],
    title: Annotated[str, typer.Option(help="What it is for; not a person's name.")],
    days: Annotated[int | None, typer.Option(help="Days until it expires; without it, never.")] = None,
) -> None:
    """Make an access key and print it, this once. From the first one on, every request needs a key."""
    from service.access.keys import make_key, require_days

    known = next((name for name in ROLES if name == role), None)
    if known is None:
        raise BadInput.one("--role", f"There is no role {role!r}.", f"Choose one of {', '.join(ROLES)}.")
    require_days(days)
    if not 1 <= len(title) <= 64 or not title.isprintable():
        raise BadInput.one("--title", "It is empty, too long or not plain text.", "Give 1 to 64 characters.")
    with open_store_here(settings_here()) as store, store.writing() as session:
        row, key = make_key(session, title, known, days, datetime.now(UTC))
    out().print(key)
    echo(f"{row.id}: role {row.role}. The key is shown this once and stored nowhere: keep it safe.", err=True)


@app.command("list")
@plain_errors
def list_keys(as_json: AsJson = False) -> None:
    """List the access keys: what for, which role, when last used, until when."""
    from sqlalchemy import select

    from service.store.schema import ApiKey

    if as_json:
        told = ("id", "role", "title", "created_at", "last_used_at", "expires_at", "revoked_at")
        with open_store_here(settings_here()) as store, store.reading() as session:
            rows = session.scalars(select(ApiKey).order_by(ApiKey.created_at, ApiKey.id)).all()
            print_json([{name: getattr(row, name) for name in told} for row in rows])
        return

    table = Table("name", "role", "for", "last used", "expires", "revoked", box=None)
    with open_store_here(settings_here()) as store, store.reading() as session:
        for row in session.scalars(select(ApiKey).order_by(ApiKey.created_at, ApiKey.id)):
            times = (row.last_used_at, row.expires_at, row.revoked_at)
            table.add_row(
                row.id, row.role, row.title, *("" if t is None else t.isoformat(" ", "minutes") for t in times)
            )
    out().print(table)


@app.command("revoke")
@plain_errors
def revoke(name: Annotated[str, typer.Argument(help="Name of the key, as `tideover keys list` shows it.")]) -> None:
    """Close an access key for good."""
    from service.access.keys import revoke_key

    with open_store_here(settings_here()) as store, store.writing() as session:
        revoke_key(session, name, datetime.now(UTC))
    out().print(f"{name} opens nothing any more.")
