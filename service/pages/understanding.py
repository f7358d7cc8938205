"""How a logger's file is understood, to be looked over on a page: questions, a select for each column, first rows."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from models.base.errors import Problem
from service.core.translation import _
from service.exchange.imports.columns import ANSWERS, NOTHING
from service.exchange.imports.understanding import Understanding
from service.pages.forms import Faults, Form
from service.pages.wording import code_state_words, state_words

ANSWER: Final = "answer-"
"""Fields of a form that answer a question begin so; its key follows in hexadecimal, as headings hold any sign."""

SHOWN: Final = "shown"
"""Field that says which understanding was looked over."""

ROWS_SHOWN: Final = 12


@dataclass(frozen=True)
class AskedField:
    """A question as a field of a form.

    Attributes
    ----------
    choices : list of (str, str)
        Value and words; empty if it can be anything.
    """

    name: str
    text: str
    value: str
    choices: list[tuple[str, str]]


@dataclass(frozen=True)
class ColumnField:
    """A column of the file, and what it is taken for.

    Attributes
    ----------
    values : str
        The first few.
    taken, unit : str
        In words; the unit is empty if it has none.
    name, value : str
        Of the select by which it is said to be something else; no name if it is asked above.
    """

    heading: str
    values: str
    taken: str
    unit: str
    name: str
    value: str


@dataclass(frozen=True)
class UnderstoodFile:
    """All that the page shows.

    Attributes
    ----------
    columns : list of ColumnField
        Those that hold no block's own voltage or resistance.
    blocks : list of ColumnField
        The others.
    others : list of (str, str)
        What a column can be, and in words.
    carried : list of (str, str)
        Fields and values of answers that have no field of their own here.
    shown : str
        What stands for this understanding, to tell whether another answer has changed it since.
    """

    asked: list[AskedField]
    columns: list[ColumnField]
    blocks: list[ColumnField]
    others: list[tuple[str, str]]
    carried: list[tuple[str, str]]
    shown: str


@dataclass(frozen=True)
class UnderstoodRow:
    """One row of a file as it will be stored."""

    time: datetime
    state: str
    current_a: float | None
    temperature_c: float | None
    low_v: float
    high_v: float
    lowest: int
    unread: int

    @classmethod
    def of(cls, told: Any) -> UnderstoodRow:
        """Take a reading that was read from a file: a fact, or a row of the store."""
        known = [(volts, block) for block, volts in enumerate(told.block_v, start=1) if volts is not None]
        (low, lowest), (high, _highest) = min(known), max(known)
        unread = len(told.block_v) - len(known)
        return cls(told.time, told.state, told.current_a, told.temperature_c, low, high, lowest, unread)


def answers_of(form: Form) -> dict[str, str]:
    """Return what was answered on the page, by the key of its question."""
    found = {}
    for name, text in form.values().items():
        if name.startswith(ANSWER) and text:
            with suppress(ValueError):
                found[bytes.fromhex(name.removeprefix(ANSWER)).decode()] = text
    return found


def field_of(key: str) -> str:
    """Return the field that answers a question."""
    return ANSWER + key.encode().hex()


def understood_file(found: Understanding, answers: Mapping[str, str], known: Collection[str] = ()) -> UnderstoodFile:
    """Lay an understanding out for the page.

    Parameters
    ----------
    answers : mapping of str to str
        Given on the page so far.
    known : collection of str
        Keys of questions that the page itself answers.
    """
    asked = [
        AskedField(
            field_of(question.key),
            question.text,
            answers.get(question.key, question.suggested),
            [(choice, choice_words(choice)) for choice in question.choices],
        )
        for question in found.asked
        if question.key not in known
    ]
    names = {field.name for field in asked}
    columns: list[ColumnField] = []
    blocks: list[ColumnField] = []
    for column in found.columns:
        key = f"column: {column.heading}"
        field = ColumnField(
            column.heading,
            ", ".join(column.values),
            _taken(column.meaning, column.why_unused),
            column.unit,
            "" if field_of(key) in names else field_of(key),
            answers.get(key, ""),
        )
        (blocks if column.meaning.startswith(("block ", "resistance ")) else columns).append(field)
    others = [(meaning, choice_words(meaning)) for meaning in ANSWERS]
    names |= {field.name for field in (*columns, *blocks)}
    carried = [(field_of(key), text) for key, text in answers.items() if field_of(key) not in names]
    return UnderstoodFile(asked, columns, blocks, others, carried, digest_of(found))


def digest_of(found: Understanding) -> str:
    """Return what stands for an understanding."""
    return hashlib.sha256(found.as_toml().encode()).hexdigest()[:16]


def open_faults(found: Understanding) -> Faults:
    """Say of each open question that it needs an answer."""
    return Faults(
        tuple(Problem(field_of(q.key), _("This needs an answer."), _("Choose or write one.")) for q in found.questions)
    )


def choice_words(choice: str) -> str:
    """Return an answer in words; what is no word of ours as it is."""
    return {
        "time": _("Time"),
        "clock": _("Time of day, beside a date"),
        "pack_id": _("Which pack"),
        "state": _("State"),
        "current_a": _("Current"),
        "temperature_c": _("Temperature of the pack"),
        "soc_pct": _("State of charge"),
        "spread_v": _("Spread of the blocks"),
        "code": _("Trouble code"),
        "code_state": _("How the code is stored"),
        NOTHING: _("Not used"),
        "summary": _("One reading for each state"),
        "all": _("Every row"),
        "yes": _("Yes"),
        "positive": _("Positive"),
        "negative": _("Negative"),
        "first": _("The first"),
        "second": _("The second"),
        **{state: words[0].upper() + words[1:] for state, words in state_words().items()},
        **{state: words for state, words in code_state_words().items() if state},
    }.get(choice, choice)


def _taken(meaning: str, why_unused: str) -> str:
    kind, _blank, number = meaning.partition(" ")
    if number and kind == "block":
        return _("Volts of block %(block)s") % {"block": number}
    if number and kind == "resistance":
        return _("Resistance of block %(block)s") % {"block": number}
    if meaning == NOTHING and why_unused:
        return f"{choice_words(NOTHING)}: {why_unused}"
    words = {
        "block": _("Number of the block"),
        "block_v": _("Volts of the block"),
        "resistance_mohm": _("Resistance of the block"),
        "charge_current": _("Current into the pack"),
    }
    return words.get(meaning) or choice_words(meaning)
