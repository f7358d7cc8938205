"""The first rows of somebody's file, as texts and as numbers."""

from __future__ import annotations

import re
from itertools import islice
from pathlib import Path
from typing import Any, Final

import numpy as np

from service.exchange.imports.files import FileShape, Row, headings_of, rows_of
from service.exchange.imports.questions import Questions
from service.exchange.imports.shape import is_number, shape_of

LOOKED_AT: Final = 2_000
"""Rows looked at."""

LONGEST_NUMBER: Final = 40
"""Characters of a field that can be a number."""

MISSING: Final = ("-", "--", "---", "n/a", "na", "nan", "null", "none", "#n/a", "?", "inf", "err", "error", "ovf")
"""What loggers write where nothing was measured, in small letters. Common practice, no source."""


class Sample:
    """The rows looked at, and how numbers are written in them.

    Attributes
    ----------
    headings : list of str
        In the file's order.
    rows : list of tuple
        The first `LOOKED_AT`.
    texts : dict of str to list of str
        What each column holds in them, blanks taken off.
    missing : list of str
        What stands where nothing was measured.
    """

    def __init__(self, path: Path, questions: Questions) -> None:
        self.shape: FileShape = shape_of(path)
        self.headings = [heading for heading in headings_of(path, self.shape) if heading]
        self.rows: list[Row] = list(islice(rows_of(path, self.shape), LOOKED_AT))
        self.texts = {h: [_text(fields.get(h)) for _, fields in self.rows] for h in self.headings}
        self._numbers_as_written(questions)

    def _numbers_as_written(self, questions: Questions) -> None:
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
                given = questions.ask(
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

    def filled(self, heading: str) -> list[str]:
        """Return what a column holds where something was noted."""
        return [text for text in self.texts[heading] if text and text not in self.missing]


def _text(value: Any) -> str:
    return "" if value is None else str(value).strip()
