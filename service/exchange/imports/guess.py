"""How somebody's file is understood: what each column is taken for, and what must be asked before it is imported.

Nothing is taken for granted that the file does not tell. A column is used, named as unused, or asked about; whoever
answers sees what is suggested. With every answer the file is looked at anew, until nothing is left to ask.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import islice, pairwise
from pathlib import Path
from statistics import median
from typing import Any, Final

import numpy as np

from models.base.errors import BadInput
from models.packs.drive_log import LEAST_ROWS, LONGEST_GAP
from service.exchange.imports.columns import (
    NOTHING,
    meanings_of,
    names_a_block,
    numbered_groups,
    unit_of,
    unused_kind,
)
from service.exchange.imports.files import FileShape, Row, headings_of, rows_of
from service.exchange.imports.long_form import block_name
from service.exchange.imports.mapping import FileMapping, TimeReading, mapping_of
from service.exchange.imports.shape import is_number, shape_of
from service.exchange.imports.times import TIME_OF_DAY, formats_of

LOOKED_AT: Final = 2_000
"""Rows looked at."""

SHOWN_VALUES: Final = 3
LONGEST_NUMBER: Final = 40
MOST_WORDS: Final = 12
"""A column of states holds few different words."""

REST_A: Final = 0.5
"""Below this current a pack rests. Derived: a block of 20 mΩ moves by 10 mV, which is what its meters resolve."""

REST_S: Final = 1_800.0
"""While driving, a current that passes through zero is no rest before half an hour. Common practice, no source."""

MILLIVOLTS_FROM: Final = 250.0
"""No block reads above 250 V (`models.packs.history.MAX_BLOCK_V`); no block that is alive reads below 0.25 V."""

SURE: Final = 3.0
"""Standard errors by which volts must fall or rise with current before its sign is told by them."""

MISSING: Final = ("-", "--", "---", "n/a", "na", "nan", "null", "none", "#n/a", "?", "inf", "err", "error", "ovf")
"""What loggers write where nothing was measured, in small letters. Common practice, no source."""

_STATES: Final[dict[str, str]] = {
    "rest": r"rest|idle|park|off\b|standby|static|open|ocv|ruhe",
    "discharge": r"discharg|drive|driving|load|accel|assist|entlad|\bout\b",
    "charge": r"charg|regen|brak|laden|\bin\b",
}


@dataclass(frozen=True)
class Question:
    """What the file does not tell.

    Attributes
    ----------
    key : str
        What the answer is given by, as ``time.zone`` or ``column: Temp 2``.
    text : str
    suggested : str
        What the file speaks for; empty if nothing does.
    choices : tuple of str
        All possible answers; empty if it can be anything.
    """

    key: str
    text: str
    suggested: str = ""
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class ColumnUse:
    """What a column is taken for.

    Attributes
    ----------
    heading : str
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
    """

    content: dict[str, Any]
    columns: list[ColumnUse]
    questions: list[Question] = field(default_factory=list)

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

    Returns
    -------
    Understanding

    Raises
    ------
    BadInput
        It cannot be read, or nothing in it looks like block voltages.
    """
    return _Reader(path, dict(answers or {}), blocks_of_pack).understanding()


def guess_mapping(path: Path) -> tuple[str, list[str]]:
    """Return a mapping of a file of readings as TOML, and what must be answered in it first.

    Raises
    ------
    BadInput
        It cannot be read, or nothing in it looks like block voltages.
    """
    found = understand(path)
    return found.as_toml(), [question.text for question in found.questions]


def confirmed(
    path: Path, answers: Mapping[str, str] | None = None, *, blocks_of_pack: int | None = None
) -> Understanding:
    """Take every suggestion, as somebody would who finds them all right, until one question has none."""
    given = dict(answers or {})
    while True:
        found = understand(path, given, blocks_of_pack=blocks_of_pack)
        fresh = {q.key: q.suggested for q in found.questions if q.suggested and q.key not in given}
        if not fresh:
            return found
        given |= fresh


class _Reader:
    """One look at a file with the answers given so far."""

    def __init__(self, path: Path, answers: dict[str, str], blocks_of_pack: int | None) -> None:
        self.path = path
        self.answers = answers
        self.blocks_of_pack = blocks_of_pack
        self.shape: FileShape = shape_of(path)
        self.headings = [heading for heading in headings_of(path, self.shape) if heading]
        self.rows: list[Row] = list(islice(rows_of(path, self.shape), LOOKED_AT))
        self.texts = {h: [_text(fields.get(h)) for _, fields in self.rows] for h in self.headings}
        self.use: dict[str, str] = {}
        self.why: dict[str, str] = {}
        self.questions: list[Question] = []
        self.content: dict[str, Any] = {"table": "readings"}

    def understanding(self) -> Understanding:
        self._numbers_as_written()
        self._blocks()
        self._columns()
        self._volts()
        self._other_units()
        self._pack()
        self._time()
        self._state()
        self._visits()
        self._file()
        self._order()
        columns = [
            ColumnUse(h, tuple(self.texts[h][:SHOWN_VALUES]), self.use[h], self._unit(h), self.why.get(h, ""))
            for h in self.headings
        ]
        return Understanding(self.content, columns, self.questions)

    def ask(self, key: str, text: str, suggested: str = "", choices: tuple[str, ...] = ()) -> str | None:
        """Return the answer to a question, None if it is not answered yet; it is then asked."""
        given = self.answers.get(key)
        if given is not None and (not choices or given in choices):
            return given
        if given is not None:
            text = f"{text} {given!r} is none of {', '.join(choices)}."
        self.questions.append(Question(key, text, suggested, choices))
        return None

    # How numbers are written

    def _numbers_as_written(self) -> None:
        texts = {text for column in self.texts.values() for text in column}
        self.missing = sorted(text for text in texts if text.lower() in MISSING)
        numbers = [text for text in texts if is_number(text) and re.search(r"[.,' \u00a0\u202f]", text)]
        self.decimal, self.thousands = ".", ""
        if any(re.search(r"\d[ \u00a0\u202f]\d{3}\b", text) for text in numbers):
            self.thousands = " "
        elif any(re.search(r"\d'\d{3}\b", text) for text in numbers):
            self.thousands = "'"
        # The sign that comes last in a number with both is the decimal one.
        both = next((text for text in numbers if "." in text and "," in text), None)
        if both is not None:
            self.decimal, self.thousands = (",", ".") if both.rfind(",") > both.rfind(".") else (".", ",")
            return
        commas = [text for text in numbers if "," in text]
        grouped = [text for text in commas if re.fullmatch(r"[+-]?[1-9]\d{0,2}(,\d{3})+", text)]
        if any(text.count(",") > 1 for text in commas) and len(grouped) == len(commas):
            self.thousands = ","
        elif commas and (len(grouped) < len(commas) or not any("." in text for text in numbers)):
            self.decimal = ","
            if len(grouped) == len(commas):
                given = self.ask(
                    "decimal",
                    f"Is the comma in {grouped[0]} the decimal sign (,) or a thousands mark (.)?",
                    ",",
                    (",", "."),
                )
                if given == ".":
                    self.decimal, self.thousands = ".", ","
        elif commas:
            self.thousands = ","

    def number(self, text: str) -> float | None:
        """Read a field as a number, None if it is none; a unit behind it is left to the import."""
        if not is_number(text):
            text = "" if len(text) > LONGEST_NUMBER else re.sub(r"\s*°?[A-Za-z]+$", "", text)
            if not is_number(text):
                return None
        marks = " \u00a0\u202f" if self.thousands == " " else self.thousands
        for mark in marks:
            text = text.replace(mark, "")
        try:
            return float(text.replace(",", ".") if self.decimal == "," else text)
        except ValueError:
            return None

    def numbers(self, heading: str) -> np.ndarray[Any, Any]:
        """Return a column as numbers, NaN where it holds none."""
        return np.array([np.nan if (n := self.number(t)) is None else n for t in self.texts[heading]], dtype=float)

    def is_numeric(self, heading: str) -> bool:
        """Tell whether at least half of what a column holds are numbers."""
        filled = [text for text in self.texts[heading] if text and text not in self.missing]
        return bool(filled) and 2 * sum(self.number(text) is not None for text in filled) >= len(filled)

    # What the columns are

    def _blocks(self) -> None:
        self.long: tuple[str, str] | None = None
        self.blocks: list[str] = []
        numeric = [h for h in self.headings if self.is_numeric(h) or not self._filled(h)]
        groups = numbered_groups([h for h in numeric if f"column: {h}" not in self.answers])
        self.numbered = {heading for _, group in groups for _, heading in group}
        groups = [(likeness, group) for likeness, group in groups if self._are_volts([h for _, h in group])]
        likeliest = [group for likeness, group in groups if likeness == groups[0][0]]
        if not likeliest:
            if not self._long_form():
                raise BadInput.one(
                    self.path.name,
                    "Nothing in it looks like block voltages: neither numbered columns nor a column of block numbers.",
                    "Give the columns numbered headings, as block 1 to block 14, or write the mapping by hand.",
                )
            return
        group = likeliest[0]
        if len(likeliest) > 1:
            names = {f"{group[0][1]} to {group[-1][1]}": group for group in likeliest}
            fits = [name for name, one in names.items() if len(one) == self.blocks_of_pack]
            told = "Which columns are the block voltages?"
            group = names[self.ask("which: blocks", told, "".join(fits[:1]), tuple(names)) or next(iter(names))]
        self.blocks = [heading for _, heading in group]
        self.use |= {heading: f"block {place}" for place, heading in enumerate(self.blocks, start=1)}
        numbers = [number for number, _ in group]
        if numbers != list(range(numbers[0], numbers[0] + len(numbers))) or numbers[0] not in (0, 1):
            told = f"The columns {self.blocks[0]} to {self.blocks[-1]} are not numbered one by one from 0 or 1."
            self.ask("blocks", f"{told} Are they all blocks of the pack, in its own order?", "", ("yes",))

    def _are_volts(self, headings: list[str]) -> bool:
        """Tell whether columns can be block voltages: some value in each, none that no block has."""
        values = np.concatenate([self.numbers(heading) for heading in headings])
        return bool(np.isfinite(values).any()) and float(np.nanmedian(values)) > 0

    def _long_form(self) -> bool:
        for heading in self.headings:
            names = [block_name(text) for text in self.texts[heading] if text]
            distinct = sorted(set(names), key=lambda name: (len(name), name))
            if not names_a_block(heading) or len(distinct) < 2 or unit_of(heading):
                continue
            volts = [
                h
                for h in self.headings
                if h != heading
                and self.is_numeric(h)
                and (unit_of(h) in ("V", "mV") or re.search(r"volt|\bv\b|\bu\b|spannung", h, re.I))
                and not re.search(r"pack|total|sum", h, re.I)
            ]
            if volts:
                self.long = (heading, volts[0])
                self.blocks = distinct
                self.use |= {heading: "block", volts[0]: "block_v"}
                return True
        return False

    def _columns(self) -> None:
        """Give each other column a meaning, its own first, then by what it looks like."""
        taken: dict[str, str] = {}
        rest = [heading for heading in self.headings if heading not in self.use]
        for heading in rest:
            if (given := self.answers.get(f"column: {heading}")) is not None:
                self.use[heading] = given
                if given != NOTHING:
                    taken[given] = heading
        for meaning in ("current_a", "temperature_c", "time", "state", "pack_id"):
            fitting = [h for h in rest if h not in self.use and meaning in meanings_of(h) and self._can_be(meaning, h)]
            if meaning in taken or not fitting:
                continue
            if meaning == "time":
                self._times(fitting)
            else:
                self._one_of(meaning, fitting)
        self._others([heading for heading in rest if heading not in self.use])

    def _can_be(self, meaning: str, heading: str) -> bool:
        filled = [text for text in self.texts[heading] if text and text not in self.missing]
        if meaning in ("current_a", "temperature_c"):
            return self.is_numeric(heading) and not unused_kind(heading)
        if meaning == "state":
            return 0 < len(set(filled)) <= MOST_WORDS and not self.is_numeric(heading)
        if meaning == "pack_id":
            # A name, or a whole number that stays the same for long; never something that is measured.
            measured = any(re.search(r"\d[.,]\d", text) for text in filled)
            return bool(filled) and not measured and not unit_of(heading) and not unused_kind(heading)
        return bool(filled)

    def _one_of(self, meaning: str, fitting: list[str]) -> None:
        plain = [h for h in fitting if len(meanings_of(h)) == 1] or fitting
        best = next((h for h in plain if re.search(r"pack|batt|hv", h, re.I)), plain[0])
        if len(fitting) == 1 or meaning == "pack_id":
            self.use[best] = meaning
            return
        # Several could be it: which one is asked.
        names = {"current_a": "current", "temperature_c": "temperature", "state": "state"}
        given = self.ask(
            f"which: {meaning}",
            f"Which column is the {names[meaning]} of the pack: {', '.join(fitting)}?",
            best,
            (*fitting, NOTHING),
        )
        for heading in fitting:
            chosen = heading == (given or best)
            self.use[heading] = meaning if chosen else NOTHING
            if not chosen:
                self.why[heading] = f"another {names[meaning]}"

    def _times(self, fitting: list[str]) -> None:
        clocks = [h for h in fitting if all(TIME_OF_DAY.fullmatch(t) for t in self.texts[h] if t)]
        dates = [h for h in fitting if h not in clocks and formats_of(self._filled(h)).formats]
        days = [h for h in fitting if h not in clocks and self._is_date_alone(h)]
        if days and clocks:
            self.use[days[0]], self.use[clocks[0]] = "time", "clock"
        elif len(dates) > 1 and any(formats_of(self._filled(h)).formats[0] == "elapsed-s" for h in dates):
            # A clock that tells the date is better than seconds counted from somewhere.
            better = [h for h in dates if formats_of(self._filled(h)).formats[0] != "elapsed-s"]
            self.use[(better or dates)[0]] = "time"
        elif dates or days:
            self.use[(dates or days)[0]] = "time"
        elif not clocks:
            self.use[fitting[0]] = "time"
        for heading in fitting:
            if heading not in self.use:
                self.use[heading], self.why[heading] = NOTHING, "another time"

    def _is_date_alone(self, heading: str) -> bool:
        return all(
            re.fullmatch(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}( 00:00:00(\.000)?)?|\d{8}", t) for t in self._filled(heading)
        )

    def _filled(self, heading: str) -> list[str]:
        return [text for text in self.texts[heading] if text and text not in self.missing]

    def _others(self, headings: list[str]) -> None:
        for heading in headings:
            self.use[heading] = NOTHING
            kind = unused_kind(heading) or ("one of several numbered columns" if heading in self.numbered else "")
            if kind or not self._filled(heading):
                self.why[heading] = kind or "nothing in it"
                continue
            # Its name says nothing. Whether it is the current its values may say.
            has_current = "current_a" in self.use.values()
            suggested = "current_a" if not has_current and self._moves_volts(heading) else NOTHING
            likely = meanings_of(heading)
            if not likely and suggested == NOTHING and not self.is_numeric(heading) and not self._lacks_something():
                self.why[heading] = "words that no record takes"
                continue
            self.ask(
                f"column: {heading}",
                f"What is the column {heading!r} ({', '.join(self._filled(heading)[:SHOWN_VALUES])})?",
                suggested,
                ("time", "clock", "pack_id", "state", "current_a", "temperature_c", NOTHING),
            )

    def _lacks_something(self) -> bool:
        return "time" not in self.use.values() or not {"state", "current_a"} & set(self.use.values())

    def _moves_volts(self, heading: str) -> bool:
        return self.is_numeric(heading) and abs(self._pull(heading)) > SURE and bool((self.numbers(heading) < 0).any())

    def _pull(self, heading: str) -> float:
        """Return by how many standard errors the mean voltage rises with a column."""
        x = self.numbers(heading)
        if self.long is not None:
            y = self.numbers(self.long[1])
        else:
            y = np.mean([self.numbers(block) for block in self.blocks], axis=0)
        there = np.isfinite(x) & np.isfinite(y)
        x, y = x[there], y[there]
        if len(x) < 3 or np.ptp(x) == 0 or np.ptp(y) == 0:
            return 0.0
        x, y = x - x.mean(), y - y.mean()
        slope = float(x @ y / (x @ x))
        left = y - slope * x
        error = float(np.sqrt(left @ left / (len(x) - 2) / (x @ x)))
        return slope / error if error > 0 else float(np.copysign(np.inf, slope))

    # Units

    def _unit(self, heading: str) -> str:
        named = unit_of(heading)
        if self.use[heading].startswith("block") and self.use[heading] != "block":
            return named or self.volt_unit
        return named

    def _volts(self) -> None:
        headings = [self.long[1]] if self.long is not None else self.blocks
        named = [unit_of(heading) for heading in headings]
        volts = np.concatenate([self.numbers(heading) for heading in headings])
        middle = float(np.nanmedian(np.abs(volts)))
        self.volt_unit = "mV" if middle > MILLIVOLTS_FROM else "V"
        scale = {"V": 1.0, "mV": 1000.0, "": 1.0}
        # A heading that says V above values of thousands, or mV above values of thirteen, says nothing.
        contrary = [
            heading
            for heading, unit in zip(headings, named, strict=True)
            if unit
            and not 0.25
            <= (float(np.nanmedian(np.abs(self.numbers(heading)))) if self._filled(heading) else 1.0) / scale[unit]
            <= MILLIVOLTS_FROM
        ]
        if contrary:
            said = f"The heading {contrary[0]!r} and its values ({', '.join(self._filled(contrary[0])[:2])}) disagree."
            given = self.ask("units.block_v", f"{said} Are they volts or millivolts?", "", ("V", "mV"))
            self.volt_unit = given or self.volt_unit
            named = [""] * len(named)
        units = [unit or self.volt_unit for unit in named]
        if len(set(units)) > 1:
            self.content["block_units"] = units
        elif units[0] != "V":
            self.content.setdefault("units", {})["block_v"] = units[0]
        self._modules(len(self.blocks))

    def _modules(self, count: int) -> None:
        heading = self.long[0] if self.long is not None else self.blocks[0]
        of_pack = self.blocks_of_pack
        if of_pack is not None and count != of_pack and count % of_pack == 0:
            parts = count // of_pack
            told = f"The file has {count} voltages, the pack {of_pack} blocks."
            given = self.ask(
                "modules_per_block", f"{told} How many in a row make one block, so that they are added?", str(parts)
            )
        elif of_pack is None and re.search(r"modul|cell|zelle", heading, re.I):
            told = f"The columns are called {heading!r} and so on."
            given = self.ask(
                "modules_per_block", f"{told} How many of them in a row make one block of the pack? Often 1 or 2."
            )
        else:
            given = self.answers.get("modules_per_block")
        if given is not None and given.isdecimal() and int(given) > 1:
            self.content["modules_per_block"] = int(given)

    def _heading(self, meaning: str) -> str | None:
        return next((heading for heading, use in self.use.items() if use == meaning), None)

    def _other_units(self) -> None:
        units = self.content.setdefault("units", {})
        amps, warm = self._heading("current_a"), self._heading("temperature_c")
        if amps is not None:
            largest = float(np.nanmax(np.abs(self.numbers(amps)), initial=0.0))
            unit = unit_of(amps)
            if not unit and largest > 1_000:
                unit = (
                    self.ask("units.current_a", f"Is {amps!r} in amperes or milliamperes?", "mA", ("A", "mA")) or "mA"
                )
            if unit == "mA":
                units["current_a"] = "mA"
        if warm is not None:
            unit = unit_of(warm)
            known = [n for n in self.numbers(warm) if np.isfinite(n)]
            if not unit and known and median(known) > 45:
                suggested = "K" if median(known) > 200 else "F"
                told = f"Is {warm!r} ({', '.join(self._filled(warm)[:2])}) in degrees Celsius, Fahrenheit or kelvin?"
                unit = self.ask("units.temperature_c", told, suggested, ("C", "F", "K")) or suggested
            if unit in ("F", "K"):
                units["temperature_c"] = unit

    # Pack, time, state

    def _pack(self) -> None:
        if self._heading("pack_id") is None:
            self.content.setdefault("fixed", {})["pack_id"] = self.ask("fixed.pack_id", "Which pack is it?") or ""

    def _time(self) -> None:
        heading, clock = self._heading("time"), self._heading("clock")
        if heading is None:
            others = tuple(h for h in self.headings if not self.use[h].startswith("block"))
            heading = self.ask("which: time", "Which column holds the time?", "", others)
            if heading is None:
                return
            self.use[heading] = "time"
            self.why.pop(heading, None)
        texts = self._filled(heading)
        if clock is not None:
            texts = [
                f"{day.removesuffix(' 00:00:00.000')} {text}".strip()
                for day, text in zip(self.texts[heading], self.texts[clock], strict=True)
                if day
            ]
        found = formats_of(texts)
        time: dict[str, str] = {"format": found.formats[0] if found.formats else ""}
        if clock is not None:
            time["clock"] = clock
        shown = f"{heading!r} ({', '.join(texts[:2])})"
        if "time.format" in self.answers:
            time["format"] = self.answers["time.format"]
        elif not found.formats:
            self.ask("time.format", f"How are the times in {shown} written? As %d.%m.%Y %H:%M.")
        elif not found.sure:
            told = "Seconds since the log began?" if time["format"] == "elapsed-s" else "Is the day or the month first?"
            self.ask("time.format", f"How are the times in {shown} written? {told}", time["format"], found.formats)
        elif clock is None and self._is_date_alone(heading):
            self.ask(
                "time.format",
                f"{shown} is a date without a time of day. Are all readings of a day one, at midnight?",
                "",
                (time["format"],),
            )
        if time["format"] == "elapsed-s":
            time["start"] = self.ask("time.start", "When did the log begin? As 2026-03-02T08:30:00.") or ""
        if found.zone_needed:
            told = "Which time zone is the logger's clock set to? As Atlantic/Azores, or UTC."
            time["zone"] = self.ask("time.zone", told) or ""
        if "time.twice" in self.answers:
            time["twice"] = self.answers["time.twice"]
        self.content["time"] = time

    def _state(self) -> None:
        amps, state = self._heading("current_a"), self._heading("state")
        if amps is not None:
            self._sign(amps)
        if state is not None:
            words = sorted(set(self._filled(state)))
            meant = {}
            for word in words:
                fitting = [name for name, pattern in _STATES.items() if re.search(pattern, word, re.I)]
                given = self.answers.get(f"state.words.{word}")
                if given is None and not fitting:
                    told = f"What does {word!r} in {state!r} mean?"
                    given = self.ask(f"state.words.{word}", told, "", ("rest", "discharge", "charge"))
                meant[word] = given or (fitting[0] if fitting else "")
            self.content["state"] = {"words": meant}
        elif amps is not None:
            self.content["state"] = {"from_current_a": REST_A, "rest_s": REST_S}
        else:
            told = "The file tells neither state nor current. In what state was the pack in every row?"
            given = self.ask("fixed.state", told, "", ("rest", "discharge", "charge"))
            self.content.setdefault("fixed", {})["state"] = given or ""

    def _visits(self) -> None:
        """Ask how a log that runs on is kept."""
        heading = self._heading("time")
        time = {"zone": "UTC", "start": "2000-01-01", **{k: v for k, v in self.content.get("time", {}).items() if v}}
        if heading is None or not time.get("format"):
            return
        reader = TimeReading.model_validate({**time, "zone": "UTC"})
        clock = self.texts.get(time.get("clock", ""), [""] * len(self.rows))
        moments = []
        for day, text in zip(self.texts[heading], clock, strict=True):
            with suppress(ValueError):
                moments.append(reader.moment(f"{day} {text}".strip()))
        run = longest = 0
        for earlier, later in pairwise(moments):
            run = run + (later > earlier) if timedelta() <= later - earlier <= LONGEST_GAP else 0
            longest = max(longest, run)
        if longest < LEAST_ROWS:
            return
        told = "Rows follow one another as in a log. Is it told by one reading for each state, or is every row kept?"
        self.content["visits"] = self.ask("visits", told, "summary", ("summary", "all")) or "summary"

    def _sign(self, amps: str) -> None:
        given = self.answers.get("discharge")
        if given is None:
            pull = self._pull(amps)
            if abs(pull) > SURE:
                given = "positive" if pull < 0 else "negative"
            elif (np.abs(self.numbers(amps)) >= REST_A).any():
                told = f"Is current that leaves the pack positive or negative in {amps!r}?"
                given = self.ask("discharge", told, "positive", ("positive", "negative"))
        self.content["discharge"] = given or "positive"

    def _file(self) -> None:
        content, shape = self.content, self.shape
        plain = FileShape()
        for name in ("encoding", "delimiter", "heading_row", "skip_rows", "comment", "sheet"):
            if name == "delimiter" or getattr(shape, name) != getattr(plain, name):
                content[name] = getattr(shape, name)
        content["decimal"] = self.decimal
        if self.thousands:
            content["thousands"] = self.thousands
        if self.missing:
            content["missing"] = self.missing
        content["blocks"] = self.blocks
        if self.long is not None:
            content["long"] = {"block": self.long[0], "block_v": self.long[1]}
        fields = ("time", "pack_id", "state", "current_a", "temperature_c")
        content["columns"] = {name: heading for name in fields if (heading := self._heading(name)) is not None}
        content["unused"] = [heading for heading in self.headings if self.use[heading] == NOTHING]
        if not content.get("units"):
            content.pop("units", None)
        content["unanswered"] = {question.key: question.text for question in self.questions}

    def _order(self) -> None:
        """Plain values first, as TOML wants them, and what is asked last."""
        parts = sorted(self.content.items(), key=lambda item: (item[0] == "unanswered", isinstance(item[1], dict)))
        self.content = dict(parts)


def _text(value: Any) -> str:
    return "" if value is None else str(value).strip()


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
