"""How a file is understood: what each column is taken for, the mapping that follows, and what is still to be asked."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from typing import Any

from service.exchange.imports.mapping import FileMapping, mapping_of
from service.exchange.imports.questions import Question


@dataclass(frozen=True)
class ColumnUse:
    """What a column is taken for.

    Attributes
    ----------
    values : tuple of str
        The first few.
    meaning : str
        One of `columns.MEANINGS`, or ``block 3``.
    unit : str
        Empty if it has none, or it is not known.
    why_unused : str
        What a column of no use to a record holds.
    """

    heading: str
    values: tuple[str, ...]
    meaning: str
    unit: str = ""
    why_unused: str = ""


@dataclass
class Understanding:
    """How a file is understood.

    Attributes
    ----------
    content : dict
        Of the mapping, with what is not answered yet in ``unanswered``.
    columns : list of ColumnUse
        Every column, in the file's order.
    questions : list of Question
        What must be answered first.
    asked : list of Question
        These, and those that are answered.
    """

    content: dict[str, Any]
    columns: list[ColumnUse]
    questions: list[Question] = field(default_factory=list)
    asked: list[Question] = field(default_factory=list)

    def mapping(self, where: str) -> FileMapping:
        """Return the mapping.

        Raises
        ------
        BadInput
            A question is open, or an answer makes no sense.
        """
        return mapping_of(self.content, where)

    def as_toml(self) -> str:
        """Write the mapping as TOML, to be looked over."""
        return _toml(self.content, self.questions)


def _toml(content: dict[str, Any], questions: list[Question]) -> str:
    """Write flat tables as TOML; a JSON text, list or number is a TOML one too."""
    lines = ["# How the file is understood. Look over every line."]
    if questions:
        lines += ["# Nothing is imported before each question under unanswered is answered and its line taken out."]
    lines += [f"{key} = {_plain(value)}" for key, value in content.items() if not isinstance(value, dict)]
    for key, table in content.items():
        if isinstance(table, dict) and table:
            lines += ["", f"[{key}]"]
            lines += [f"{_key(k)} = {_value(v)}" for k, v in table.items()]
    return "\n".join(lines) + "\n"


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _plain(name)


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_plain(v)}" for k, v in value.items()) + " }"
    return _plain(value)


def _plain(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)
