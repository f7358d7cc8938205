"""How fields of the documented tables are written: read here for forecasts, imports and learning alike."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Final

from training.files.units import UNITS, Scale

_NUMBER_AND_UNIT: Final = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*(°?[A-Za-z]+)")


def number_written(text: str, column: str) -> tuple[float, Scale | None]:
    """Read a number; with a unit of the column behind it, also how to get from that to ours.

    Raises
    ------
    ValueError
        It is none.
    """
    if text.isascii() and "_" not in text:
        try:
            return float(text), None
        except ValueError:
            pass
    found = _NUMBER_AND_UNIT.fullmatch(text)
    units = UNITS.get(column, {})
    unit = "" if found is None else found[2].removeprefix("°")
    if found is None or unit not in units:
        raise ValueError("it is not a number")
    return float(found[1]), units[unit]


def moment_written(text: str) -> datetime:
    """Read a time as ISO 8601 writes it; without an offset, unless it has one.

    Raises
    ------
    ValueError
        It is none, or there is no such day or hour.
    """
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            "it is not written as year, month and day, as 2026-03-14 09:30, or there is no such day or hour"
        ) from None


def blocks_written(text: str) -> list[int]:
    """Read numbers of blocks, parted by blanks or commas.

    Raises
    ------
    ValueError
        One is no whole number.
    """
    return [int(part) for part in text.replace(",", " ").split()]
