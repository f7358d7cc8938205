"""Vehicles, assignments, suppliers, offers, deliveries and costs, as an export writes them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.errors import BadInput, Problem, problems_from
from models.packs.family import PackFamily
from service.core.refusals import Doubtful
from service.exchange.exports.tables import text_of_field
from service.exchange.imports.files import Row, headings_of, rows_of
from service.exchange.imports.mapping import DOCUMENTED
from service.exchange.imports.rows import RowFault
from service.records.records import create
from service.records.schemas import RecordFacts
from service.records.subject import Subject
from service.records.subjects.all_subjects import SUBJECTS
from service.records.versions import Writer

EXPORTED: Final[Mapping[str, Subject]] = {
    subject.name: subject for subject in SUBJECTS if subject.name not in DOCUMENTED
}
"""By name of the file, in an order in which each names only those before it, or packs."""

_NUMBERED: Final = {subject.table: subject.name for subject in SUBJECTS if not subject.named}
Doubts = list[Problem]


class ExportedTables:
    """Takes the rows of such tables into the store, by the checks that hold for a record that is sent in.

    Who recorded a row and when is told anew, and so are its number and those by which others name it.

    Parameters
    ----------
    writer : Writer
        What looks like a slip is taken, and told.
    """

    def __init__(self, session: Session, families: Mapping[str, PackFamily], writer: Writer) -> None:
        self.session, self.families, self.writer = session, families, writer
        self._numbers: dict[tuple[str, str], Any] = {}

    def rows(self, subject: Subject, file: Path) -> Iterator[tuple[list[RowFault], list[RowFault]]]:
        """Take a file row by row; yield for each what is wrong with it, and what looks like a slip.

        Raises
        ------
        BadInput
            A column is missing or unknown, or the file cannot be read.
        """
        _require_columns(subject, headings_of(file), file.name)
        for number, fields in rows_of(file):
            wrong, doubts = self._take(subject, file, (number, fields))
            yield (
                [RowFault(file.name, number, problem.where, problem.what, problem.mend) for problem in wrong],
                [RowFault(file.name, number, doubt.where, doubt.what, doubt.mend) for doubt in doubts],
            )

    def _take(self, subject: Subject, file: Path, row: Row) -> tuple[list[Problem], Doubts]:
        _, fields = row
        if "" in fields:
            return [Problem("", f"It has {fields['']}.", "Quote fields that hold the delimiter.")], []
        written: Callable[[Any], Any] = text_of_field if file.suffix == ".csv" else lambda value: value
        values = {name: written(value) for name, value in fields.items() if value not in (None, "")}
        own = str(values.get("id", ""))
        content = {name: value for name, value in values.items() if name in subject.new.model_fields}
        try:
            new = subject.new.model_validate(content | self._named_anew(subject, content))
            if (there := self._there(subject, new)) is not None:
                self._numbers[subject.name, own] = there
                return [Problem("id", "It is there already, stored or in an earlier row.", "Leave it out.")], []
            doubts = self._create(subject, new, own)
        except ValidationError as error:
            return list(problems_from(error)), []
        except BadInput as error:
            return list(error.problems), []
        return [], doubts

    def _create(self, subject: Subject, new: BaseModel, own: str) -> Doubts:
        doubts: Doubts = []
        writer = self.writer
        while True:
            try:
                with self.session.begin_nested():
                    row: Any = create(self.session, subject, new, self.families, writer)
                break
            except Doubtful as error:
                doubts, writer = list(error.problems), replace(writer, sure=error.sure)
        self._numbers[subject.name, own] = row.id
        return doubts

    def _named_anew(self, subject: Subject, content: Mapping[str, Any]) -> dict[str, Any]:
        """Return the numbers that records have here by which a row names them."""
        found = {}
        for column, table in subject.references.items():
            if table not in _NUMBERED or column not in content:
                continue
            kind = _NUMBERED[table]
            if (kind, str(content[column])) not in self._numbers:
                what = f"There is no row {content[column]} among the {kind} of this import."
                raise BadInput.one(column, what, f"Put {kind} beside it, or leave the number out.")
            found[column] = self._numbers[kind, str(content[column])]
        return found

    def _there(self, subject: Subject, new: BaseModel) -> Any:
        """Return the record of that name, or a numbered one that said the same before this import; None if none is.

        Two orders of one day may be two packs: rows of one file are not held against each other.
        """
        table: Any = subject.table
        names = ("id",) if subject.named else subject.columns
        same = [getattr(table, name).is_not_distinct_from(getattr(new, name)) for name in names]
        before = [] if subject.named else [table.recorded_at < self.writer.at]
        return self.session.scalar(select(table.id).where(*same, *before).limit(1))


def _require_columns(subject: Subject, headings: list[str], file: str) -> None:
    fields = subject.new.model_fields
    known = ["id", *subject.columns, *RecordFacts.model_fields]
    where = f"{file} row 1"
    if strange := [heading for heading in headings if heading and heading not in known]:
        what = f"There is no column {strange[0]} in {subject.name}."
        raise BadInput.one(where, what, f"Name some of {', '.join(known)}.")
    if missing := [name for name, field in fields.items() if field.is_required() and name not in headings]:
        raise BadInput.one(where, f"There is no column {missing[0]}.", "Add it; its fields may not be empty.")
