"""Voltages as people type or paste them: by block or by module, as volts or as deviations, and what they are then."""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from typing import Final, Literal, get_args

from models.base.errors import BadInput, Problem
from models.packs.family import PackFamily
from service.core.translation import _, ngettext
from service.pages.forms import plain_number

Way = Literal["block", "module", "off_v", "off_mv"]
WAYS: Final[tuple[Way, ...]] = get_args(Way)

NUMBER: Final = re.compile(r"[-+−]?\d+([.,]\d+)?$")

_TIME: Final = r"\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?"

MOMENT_BEFORE: Final = re.compile(
    rf"^(?:\d{{1,4}}([-./])\d{{1,2}}\1\d{{2,4}}(?:[T ,;\t]+{_TIME})?|{_TIME})"
    r"(?: ?[AaPp][Mm]|Z|[+-]\d\d:?\d\d)?(?:\t|\r?\n|[;,] *| +)"
)
"""A day, a time or both before the first number, however they are written; their points are no decimal points."""

UNREAD: Final = frozenset({"", "-", "–", "—", "x", "?", "nan", "null"})
"""What people write for a block that they could not read."""


def way_words() -> dict[Way, str]:
    """Return in what voltages may be given, in words."""
    return {
        "block": _("Volts of each block"),
        "module": _("Volts of each module"),
        "off_v": _("How far each block is off, in V"),
        "off_mv": _("How far each block is off, in mV"),
    }


def split_numbers(text: str) -> list[str]:
    """Part a pasted row or column into its numbers.

    Blanks, tabs, line ends and semicolons part numbers. A comma does too, unless those are there as well and numbers
    have no point: then it is a decimal comma.
    """
    text = text.strip()
    decimal_comma = "." not in text and re.search(r"\d,\d", text) and re.search(r"[\s;]", text)
    if decimal_comma:
        return [part.strip(",") for part in re.split(r"[\s;]+", text) if part.strip(",")]
    # Two separators in a row hold an empty field between them: a block that was not read.
    return [part.strip() for part in re.split(r"\t|\r?\n|[;,][ ]*|[ ]+", text)]


def pasted_numbers(text: str) -> list[str]:
    """Part a pasted row or column; a row copied from a table begins with its time, which is no voltage."""
    found = split_numbers(MOMENT_BEFORE.sub("", text.strip(), count=1))
    begins = next((place for place, one in enumerate(found) if NUMBER.match(one) or one.lower() in UNREAD), 0)
    return found[begins:]


def is_number_or_unread(text: str) -> bool:
    """Tell whether a text stands for a voltage or for one that was not read."""
    return NUMBER.match(text) is not None or text.lower() in UNREAD


def count_problem(where: str, count: int, blocks: int) -> Problem:
    """Say that the numbers are not as many as the blocks."""
    what = ngettext("This is %(num)s number", "These are %(num)s numbers", count) % {"num": count}
    what += _(", but the pack has %(blocks)s blocks.") % {"blocks": blocks}
    mend = _("Paste one number for each block, in the pack's own order; - for a block that was not read.")
    return Problem(where, what, mend)


def as_number(where: str, text: str) -> float | None:
    """Read one voltage; None if it was not read.

    Raises
    ------
    BadInput
    """
    if text.lower() in UNREAD:
        return None
    try:
        return float(plain_number(text))
    except ValueError:
        what = _("%(text)s is not a number.") % {"text": repr(text)}
        raise BadInput.one(where, what, _("Write volts, as 15.42; - if it was not read.")) from None


def block_volts(where: str, text: str, way: Way, whole_v: float | None, family: PackFamily) -> list[float | None]:
    """Return the volts of each block from what was typed for one reading.

    Parameters
    ----------
    where : str
        Name of the field.
    text : str
        One number for each block or module.
    way : {"block", "module", "off_v", "off_mv"}
    whole_v : float or None
        Voltage of the whole pack, V: with deviations the blocks' volts follow from it, whatever they deviate from, as
        they add up to it.

    Raises
    ------
    BadInput
    """
    texts = pasted_numbers(text)
    problems: list[Problem] = []
    numbers: list[float | None] = []
    for place, one in enumerate(texts):
        try:
            numbers.append(as_number(f"{where}[{place}]", one))
        except BadInput as error:
            problems += error.problems
    if problems:
        raise BadInput(problems)
    if way == "module":
        return _of_modules(where, numbers, family)
    if len(numbers) != family.blocks:
        raise BadInput([count_problem(where, len(numbers), family.blocks)])
    return numbers if way == "block" else _of_deviations(where, numbers, way, whole_v)


def some_volts(text: str, way: str, family: PackFamily) -> list[float | None]:
    """Return the volts that can be read where not all can; none where they may not be those of their blocks."""
    volts: list[float | None] = [None] * family.blocks
    texts = pasted_numbers(text)
    if way != "block" or len(texts) != family.blocks:
        return volts
    for place, one in enumerate(texts):
        with suppress(BadInput):
            volts[place] = as_number("", one)
    return volts


def _of_modules(where: str, numbers: Sequence[float | None], family: PackFamily) -> list[float | None]:
    each, left = divmod(len(numbers), family.blocks)
    if left or each < 1 or family.cells_per_block % each:
        what = ngettext("This is %(num)s number", "These are %(num)s numbers", len(numbers)) % {"num": len(numbers)}
        what += _(", which is no whole number of modules for each of %(blocks)s blocks.") % {"blocks": family.blocks}
        raise BadInput.one(where, what, _("Write one number for each module, in the pack's own order; - if not read."))
    blocks = [numbers[first : first + each] for first in range(0, len(numbers), each)]
    # A block of which one module was not read was not read.
    return [None if None in block else round(sum(v for v in block if v is not None), 4) for block in blocks]


def _of_deviations(where: str, numbers: Sequence[float | None], way: Way, whole_v: float | None) -> list[float | None]:
    off = [number for number in numbers if number is not None]
    if len(off) < len(numbers):
        mend = _("Write all of them, or give volts.")
        raise BadInput.one(where, _("Deviations make volts only if every block was read."), mend)
    if whole_v is None:
        what = _("Deviations make volts only with the voltage of the whole pack.")
        raise BadInput.one(where, what, _("Write it into the field below, or give volts."))
    off_v = [number / 1000 if way == "off_mv" else number for number in off]
    middle = (whole_v - sum(off_v)) / len(off_v)
    return [round(middle + one, 4) for one in off_v]
