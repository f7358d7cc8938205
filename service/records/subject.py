"""A subject: one kind of record, with its table, its schemas and the checks of its sense."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, create_model
from sqlalchemy.orm import Session

from models.base.errors import Problem
from models.base.moments import Moment
from models.packs.family import PackFamily
from service.records.schemas import Name, RecordFacts
from service.store.schema import Versioned

FactKind = Literal["topups", "outcomes"]
"""Facts of which each stands in an order with the others."""


@dataclass(frozen=True)
class Situation:
    """A change about to be made: what is checked for sense before it is.

    Attributes
    ----------
    before, after : mapping or None
        Values of the record by column; None where it does not exist yet or any more.
    record_id : int or str or None
        None where it does not exist yet.
    together : int
        How many are sent in one go.
    """

    session: Session
    families: Mapping[str, PackFamily]
    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None
    record_id: int | str | None = None
    together: int = 1


def _sensible(_: Situation) -> list[Problem]:
    return []


def _undoubted(_: Situation, _now: datetime) -> list[Problem]:
    return []


@dataclass(frozen=True)
class Subject:
    """One kind of record.

    Attributes
    ----------
    name, one : str
        In addresses, as ``readings``, and in words, as ``reading``.
    new : type
        Schema of what is sent in. Its fields are columns of the table.
    example : dict
        A worked example of `new`.
    references : mapping of str to type
        Columns that name a record of another table.
    unique : tuple of str
        Columns of which no two records may have the same values.
    filters : tuple of str
        Columns by which lists can be narrowed.
    time : str, optional
        When what the record tells of happened, where that is one moment.
    happened : tuple of str
        Columns that tell when something happened: no such moment lies ahead, a planned one may.
    check : callable taking a `Situation`
        Lists what is wrong with a change.
    doubts : callable taking a `Situation` and the time now
        Lists what looks like a slip in it: asked about, and stored once somebody says that it is right.
    ordered : {"topups", "outcomes"}, optional
        Whether it must also stand in the order of top-ups and outcomes (`sense.keeps_order`).
    """

    name: str
    one: str
    table: type[Versioned]
    new: type[BaseModel]
    example: Mapping[str, Any]
    references: Mapping[str, type[Versioned]]
    unique: tuple[str, ...] = ()
    filters: tuple[str, ...] = ()
    time: str | None = None
    happened: tuple[str, ...] = ()
    check: Callable[[Situation], list[Problem]] = _sensible
    doubts: Callable[[Situation, datetime], list[Problem]] = _undoubted
    ordered: FactKind | None = None

    @property
    def named(self) -> bool:
        """Whether records are named by whoever makes them; else they are numbered."""
        return "id" in self.new.model_fields

    @property
    def a_one(self) -> str:
        """Its word for one record with the article before it."""
        return f"{'an' if self.one[0] in 'aeio' else 'a'} {self.one}"

    @property
    def listed_by(self) -> str:
        """Column by which lists are narrowed to a span of time."""
        return self.time or "recorded_at"

    @cached_property
    def columns(self) -> tuple[str, ...]:
        """The columns that hold the content, without the record's own name or number."""
        return tuple(name for name in self.new.model_fields if name != "id")

    @cached_property
    def change(self) -> type[BaseModel]:
        """Schema of a correction: any of the fields; null clears one."""
        fields: dict[str, Any] = {}
        for name in self.columns:
            info = self.new.model_fields[name]
            kind: Any = info.annotation
            for rule in info.metadata:
                kind = Annotated[kind, rule]
            fields[name] = (kind | None, Field(None, description=info.description))
        return create_model(
            f"{self._title}Change",
            __config__=ConfigDict(extra="forbid"),
            __doc__=f"A correction of {self.a_one}: the fields that change; null clears one.",
            **fields,
        )

    @property
    def example_change(self) -> dict[str, Any]:
        """A worked example of a correction."""
        field, value = list(self.example.items())[-1]
        return {field: value}

    @cached_property
    def record(self) -> type[BaseModel]:
        """Schema of a stored record."""
        number = {} if self.named else {"id": (int, Field(description="Its number."))}
        bases: Any = (RecordFacts, self.new)
        return create_model(f"Stored{self._title}", __base__=bases, __doc__=f"A stored {self.one}.", **number)  # type: ignore[no-any-return, call-overload]

    @cached_property
    def page(self) -> type[BaseModel]:
        """Schema of one page of a list."""
        items: Any = list[self.record]  # type: ignore[name-defined]
        return create_model(
            f"{self._title}Page",
            __doc__=f"Some of the {self.name}, in the order in which they were recorded or of their names.",
            items=(items, ...),
            next_cursor=(str | None, Field(description="Send it back as `cursor` for the next page; null at the end.")),
        )

    def query(self, max_page: int) -> type[BaseModel]:
        """Return the schema of a list's query parameters."""
        fields: dict[str, Any] = {
            "limit": (int, Field(min(100, max_page), ge=1, le=max_page, description="Records on a page.")),
            "cursor": (str | None, Field(None, max_length=200, description="`next_cursor` of the page before.")),
        }
        fields |= {
            name: (Name | None, Field(None, description=f"Only those with this {name}.")) for name in self.filters
        }
        by = self.listed_by
        fields["since"] = (Moment | None, Field(None, description=f"Only those with `{by}` at or after this."))
        fields["before"] = (Moment | None, Field(None, description=f"Only those with `{by}` before this."))
        fields["recorded_since"] = (
            Moment | None,
            Field(None, description="Only those recorded or corrected at or after this."),
        )
        return create_model(f"{self._title}Query", __config__=ConfigDict(extra="forbid"), **fields)

    @property
    def _title(self) -> str:
        return "".join(part.capitalize() for part in self.one.replace("-", " ").split())
