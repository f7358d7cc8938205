"""Options that the commands of all decisions share, and how they become a question."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer
from pydantic import BaseModel, TypeAdapter, ValidationError
from rich.console import Console

from models.base.errors import BadInput, problems_from
from models.base.moments import Moment
from service.cli.printing import out
from service.cli.surroundings import open_store_here, settings_here
from service.records.cost_words import MEANING

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

Asked = TypeVar("Asked", bound=BaseModel)
Shown = TypeVar("Shown", bound=BaseModel)

Currency = Annotated[str | None, typer.Option(help="Of all amounts, as EUR; left out, that of the house.")]
Stranding = Annotated[float | None, typer.Option(help=MEANING["stranding"])]
DayOffRoad = Annotated[float | None, typer.Option(help=MEANING["day_off_road"])]
CapitalPerDay = Annotated[float | None, typer.Option(help=MEANING["capital_per_day"])]
ReturnValue = Annotated[float | None, typer.Option(help=MEANING["return_value"])]
PlannedWork = Annotated[float | None, typer.Option(help=MEANING["planned_work"])]
ReturnWork = Annotated[float | None, typer.Option(help=MEANING["return_work"])]
Family = Annotated[str | None, typer.Option(help="Only packs of this family.")]
Site = Annotated[str | None, typer.Option(help="Only vehicles of this site.")]
Duty = Annotated[str | None, typer.Option(help="Only vehicles of this duty.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer of the REST service instead.")]


def moment_of(option: str, text: str) -> datetime:
    """Return an option's moment.

    Raises
    ------
    BadInput
        It is none, has no offset, or lies in a year that cannot be meant.
    """
    try:
        return TypeAdapter(Moment).validate_python(text)
    except ValidationError as error:
        raise BadInput(problems_from(error, (option,))) from error


def checked(schema: type[Asked], **given: Any) -> Asked:
    """Return options as a question; those that were not given are left to the schema.

    Raises
    ------
    BadInput
        With every fault found.
    """
    from pydantic import ValidationError

    try:
        return schema.model_validate({name: value for name, value in given.items() if value is not None})
    except ValidationError as error:
        raise BadInput(problems_from(error)) from error


def stated(**amounts: Any) -> dict[str, Any]:
    """Return the costs that were given."""
    return {name: value for name, value in amounts.items() if value is not None}


@contextmanager
def store_now() -> Iterator[tuple[Session, datetime]]:
    """Open the store for reading, with the time now."""
    with open_store_here(settings_here()) as store, store.reading() as session:
        yield session, datetime.now(UTC)


def pack_meant(session: Session, name: str, now: datetime) -> str:
    """Return the pack of a number, its own or its vehicle's; which one was taken is said on standard error."""
    from service.records.pack_called import pack_called

    called = pack_called(session, name, now)
    if called.said:
        typer.echo(called.said, err=True)
    return called.pack_id


def show(given: Shown, as_json: bool, printed: Callable[[Shown], None]) -> None:
    """Print an answer: as the REST service gives it, or in words."""
    if as_json:
        typer.echo(given.model_dump_json())
    else:
        printed(given)


def print_lines(title: str, lines: list[str], console: Console | None = None) -> None:
    """Print a titled list, or nothing if it is empty."""
    console = console or out()
    if lines:
        console.print()
        console.print(title)
    for line in lines:
        console.print(f"- {line}")
