"""What the fields of a fact are, read off its class: tables, files, store and forms follow from this one schema."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import AwareDatetime, BaseModel, TypeAdapter, ValidationError

Kind = Literal["time", "number", "text", "list"]


@dataclass(frozen=True)
class Measured:
    """Stands beside the bounds of a number in its annotation.

    Attributes
    ----------
    unit : str
        "1" has no unit.
    label : str
        As a form that follows from the schema calls it.
    hint : str
        What somebody who fills it in should know.
    """

    unit: str
    label: str = ""
    hint: str = ""


@dataclass(frozen=True)
class Column:
    """One field of a fact as a column.

    Attributes
    ----------
    kind : {"time", "number", "text", "list"}
        A list holds numbers, of blocks or one for each block; tables write it as text (`models.packs.tables`).
    optional : bool
        May be missing: the field as a whole, and the value of a row.
    longest : int or None
        Most characters of a text.
    """

    name: str
    kind: Kind
    optional: bool
    measured: Measured | None
    longest: int | None


@cache
def columns_of(fact: type[BaseModel], *, without: frozenset[str] = frozenset()) -> tuple[Column, ...]:
    """List the fields of a fact, in order, but for those that make no single column."""
    return tuple(
        _column(name, info) for name, info in fact.model_fields.items() if name != "block_v" and name not in without
    )


def _column(name: str, info: Any) -> Column:
    leaves = set(_leaves(info.annotation))
    rules = [*info.metadata, *_rules(info.annotation)]
    measured = next((rule for rule in rules if isinstance(rule, Measured)), None)
    longest = next((rule.max_length for rule in rules if hasattr(rule, "max_length")), None)
    choices = [word for leaf in leaves if get_origin(leaf) is Literal for word in get_args(leaf)]
    longest = max(map(len, choices)) if choices else longest
    kind: Kind = "time" if leaves & {AwareDatetime, datetime} else "number" if float in leaves else "text"
    if any(get_origin(leaf) is tuple for leaf in leaves):
        kind = "list"
    return Column(name, kind, not info.is_required(), measured, longest if kind == "text" else None)


def _leaves(annotation: Any) -> Iterator[Any]:
    origin = get_origin(annotation)
    if origin is Annotated:
        yield from _leaves(get_args(annotation)[0])
    elif origin in (Union, UnionType):
        for part in get_args(annotation):
            yield from _leaves(part)
    else:
        yield annotation


def _rules(annotation: Any) -> Iterator[Any]:
    """Yield what stands beside the types of an annotation, bounds and all."""
    for part in get_args(annotation) if get_origin(annotation) in (Union, UnionType) else (annotation,):
        for rule in getattr(part, "__metadata__", ()):
            yield from getattr(rule, "metadata", None) or (rule,)


def bounds_of(fact: type[BaseModel], name: str) -> Iterator[tuple[str, float]]:
    """Yield the bounds that a checked history puts on a number, as ("ge", 0.0): one rule for a file and a case."""
    info = fact.model_fields[name]
    for rule in (*info.metadata, *_rules(info.annotation)):
        for sign in ("ge", "gt", "le", "lt"):
            if (limit := getattr(rule, sign, None)) is not None:
                yield sign, float(limit)


def may_be(fact: type[BaseModel], name: str, value: object) -> bool:
    """Whether a field of a checked history can hold a value."""
    try:
        _checks_of(fact, name).validate_python(value)
    except ValidationError:
        return False
    return True


@cache
def _checks_of(fact: type[BaseModel], name: str) -> TypeAdapter[Any]:
    info = fact.model_fields[name]
    field: Any = Annotated[info.annotation, info]
    return TypeAdapter(field)
