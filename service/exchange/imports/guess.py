"""How somebody's file is understood: what each column is taken for, and what must be asked before it is imported.

Nothing is taken for granted that the file does not tell. A column is used, named as unused, or asked about; whoever
answers sees what is suggested. With every answer the file is looked at anew, until nothing is left to ask.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from service.exchange.imports.columns import ANSWERS, NOTHING
from service.exchange.imports.files import FileShape
from service.exchange.imports.guess_columns import NO_CODE, SHOWN_VALUES, ColumnGuess
from service.exchange.imports.guess_times import TimeGuess
from service.exchange.imports.guess_units import REST_A, UnitGuess
from service.exchange.imports.packed_files import unpacked_once
from service.exchange.imports.questions import Question, Questions
from service.exchange.imports.sample import Sample
from service.exchange.imports.understanding import ColumnUse, Understanding

REST_S: Final = 1_800.0
"""While driving, a current that passes through zero is no rest before half an hour. Common practice, no source."""

_STATES: Final[dict[str, str]] = {
    "rest": r"rest|idle|park|off\b|standby|static|open|ocv|ruhe",
    "discharge": r"discharg|drive|driving|load|accel|assist|entlad|\bout\b",
    "charge": r"charg|regen|brak|laden|\bin\b",
}


_CODE_STATES: Final[dict[str, str]] = {
    "pending": r"pend|intermittent|\$?\b0?7\b",
    "confirmed": r"confirm|stored|current|active|\$?\b0?3\b",
    "permanent": r"permanent|\$?\b0?A\b",
}
"""Words of how a code is stored; the numbers are the modes of SAE J1979 (from memory, unverified)."""


@unpacked_once()
def understand(
    path: Path, answers: Mapping[str, str] | None = None, *, blocks_of_pack: int | None = None
) -> Understanding:
    """Tell how a file of readings is understood.

    Parameters
    ----------
    path : Path
        Text in columns, a spreadsheet, Parquet or JSON records.
    answers : mapping of str to str, optional
        To questions asked before, by their key; others may be given as well, as ``fixed.pack_id`` and ``time.zone``.
    blocks_of_pack : int, optional
        Blocks of the pack that it tells of, if known.

    Raises
    ------
    BadInput
        It cannot be read, or nothing in it looks like block voltages.
    """
    questions = Questions(dict(answers or {}))
    content: dict[str, Any] = {"table": "readings"}
    sample = Sample(path, questions)
    columns = ColumnGuess(path.name, sample, questions, blocks_of_pack)
    units = UnitGuess(sample, columns, questions, content)
    if columns.heading("pack_id") is None:
        content.setdefault("fixed", {})["pack_id"] = questions.ask("fixed.pack_id", "Which pack is it?") or ""
    times = TimeGuess(sample, columns, questions, content)
    _state(sample, columns, units, questions, content)
    _codes(sample, columns, questions, content)
    times.visits()
    _file(sample, columns, questions, content)
    told = [
        ColumnUse(h, tuple(sample.texts[h][:SHOWN_VALUES]), columns.use[h], units.of(h), columns.why_unused.get(h, ""))
        for h in sample.headings
    ]
    # Plain values first, as TOML wants them, and what is asked last.
    parts = sorted(content.items(), key=lambda item: (item[0] == "unanswered", isinstance(item[1], dict)))
    return Understanding(dict(parts), told, questions.open, questions.asked)


@unpacked_once()
def confirmed(
    path: Path, answers: Mapping[str, str] | None = None, *, blocks_of_pack: int | None = None
) -> Understanding:
    """Take every suggestion, as somebody would who finds them all right, until one question has none."""
    given = dict(answers or {})
    asked: dict[str, Question] = {}
    while True:
        found = understand(path, given, blocks_of_pack=blocks_of_pack)
        asked = {**{question.key: question for question in found.asked}, **asked}
        fresh = {q.key: q.suggested for q in found.questions if q.suggested and q.key not in given}
        if not fresh:
            found.asked = list(asked.values())
            return found
        given |= fresh


def _state(
    sample: Sample, columns: ColumnGuess, units: UnitGuess, questions: Questions, content: dict[str, Any]
) -> None:
    """Tell by what a row's state is known: a column's words, the current, or one answer for all rows."""
    amps, state = columns.heading("current_a"), columns.heading("state")
    if amps is not None and columns.charge_current:
        content["discharge"] = "positive"
    elif amps is not None:
        units.sign(amps)
    if state is not None:
        meant = {}
        for word in sorted(set(sample.filled(state))):
            fitting = [name for name, pattern in _STATES.items() if re.search(pattern, word, re.I)]
            given = None
            if f"state.words.{word}" in questions.answers or not fitting:
                told = f"What does {word!r} in {state!r} mean?"
                given = questions.ask(f"state.words.{word}", told, "", ("rest", "discharge", "charge"))
            meant[word] = given or (fitting[0] if fitting else "")
        content["state"] = {"words": meant}
    elif amps is not None:
        content["state"] = {"from_current_a": REST_A, "rest_s": REST_S}
    else:
        told = "The file tells neither state nor current. In what state was the pack in every row?"
        given = questions.ask("fixed.state", told, "", ("rest", "discharge", "charge"))
        content.setdefault("fixed", {})["state"] = given or ""


def _codes(sample: Sample, columns: ColumnGuess, questions: Questions, content: dict[str, Any]) -> None:
    """Tell how the codes of a file are stored: by a column's words, or by one answer for all of them."""
    code, stored = columns.heading("code"), columns.heading("code_state")
    if code is None:
        if stored is not None:
            columns.use[stored], columns.why_unused[stored] = NOTHING, "how a code is stored, without a code"
        return
    words = {word: "none" for word in sorted(set(sample.filled(code))) if NO_CODE.fullmatch(word)}
    if stored is None:
        told = f"How are the codes in {code!r} ({', '.join(sample.filled(code)[:SHOWN_VALUES])}) stored?"
        given = questions.ask("fixed.code_state", told, "confirmed", (*_CODE_STATES, NOTHING))
        if given == NOTHING:
            columns.use[code], columns.why_unused[code] = NOTHING, "codes of which it is not said how they are stored"
            return
        content.setdefault("fixed", {})["code_state"] = given or "confirmed"
    else:
        for word in sorted(set(sample.filled(stored))):
            fitting = [name for name, pattern in _CODE_STATES.items() if re.search(pattern, word, re.I)]
            told = f"What does {word!r} in {stored!r} mean?"
            words[word] = fitting[0] if fitting else ""
            if f"code.words.{word}" in questions.answers or len(fitting) != 1:
                words[word] = questions.ask(f"code.words.{word}", told, "", (*_CODE_STATES, "none")) or ""
    if words:
        content["code"] = {"words": words}


def _file(sample: Sample, columns: ColumnGuess, questions: Questions, content: dict[str, Any]) -> None:
    """Say how the file is written, which columns are used, and what is not answered yet."""
    plain = FileShape()
    for name in ("encoding", "delimiter", "heading_row", "skip_rows", "comment", "sheet", "over_row"):
        if name == "delimiter" or getattr(sample.shape, name) != getattr(plain, name):
            content[name] = getattr(sample.shape, name)
    content["decimal"] = sample.decimal
    if sample.thousands:
        content["thousands"] = sample.thousands
    if sample.missing:
        content["missing"] = sample.missing
    content["blocks"] = columns.blocks
    if columns.long is not None:
        names = ("block", "block_v", "resistance_mohm")
        content["long"] = {name: heading for name, heading in zip(names, columns.long, strict=True) if heading}
    if columns.resistances:
        content["resistances"] = columns.resistances
    fields = tuple(name for name in ANSWERS if name not in ("clock", NOTHING))
    content["columns"] = {name: heading for name in fields if (heading := columns.heading(name)) is not None}
    if columns.charge_current:
        content["charge_current"] = columns.charge_current
    content["unused"] = [heading for heading in sample.headings if columns.use[heading] == NOTHING]
    if not content.get("units"):
        content.pop("units", None)
    content["unanswered"] = {question.key: question.text for question in questions.open}
