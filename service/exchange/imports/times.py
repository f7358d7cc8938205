"""How the times of a file are written, told from the times themselves."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from itertools import pairwise
from typing import Final

FORMATS: Final = (
    "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M:%S.%f",
    "%d.%m.%Y %H:%M",
    "%d.%m.%y %H:%M:%S",
    "%d.%m.%y %H:%M",
    "%d/%m/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M:%S.%f",
    "%d/%m/%Y %H:%M",
    "%m/%d/%Y %H:%M:%S",
    "%m/%d/%Y %H:%M:%S.%f",
    "%m/%d/%Y %H:%M",
    "%d/%m/%y %H:%M:%S",
    "%m/%d/%y %H:%M:%S",
    "%d/%m/%y %H:%M",
    "%m/%d/%y %H:%M",
    "%m/%d/%Y %I:%M:%S %p",
    "%d/%m/%Y %I:%M:%S %p",
    "%m/%d/%Y %I:%M %p",
    "%d/%m/%Y %I:%M %p",
    "%d-%m-%Y %H:%M:%S",
    "%m-%d-%Y %H:%M:%S",
    "%d-%m-%Y %H:%M",
    "%m-%d-%Y %H:%M",
    "%Y/%m/%d %H:%M:%S",
    "%Y/%m/%d %H:%M:%S.%f",
    "%Y/%m/%d %H:%M",
    "%Y.%m.%d %H:%M:%S",
    "%Y%m%d%H%M%S",
    "%Y%m%d %H%M%S",
    "%d %b %Y %H:%M:%S",
    "%d %b %Y %H:%M",
    "%d-%b-%Y %H:%M:%S",
    "%b %d %Y %H:%M:%S",
)
"""Tried in this order, after ISO 8601 and seconds or milliseconds since 1970."""

_SECONDS_DIGITS: Final = 10
_MILLISECONDS_DIGITS: Final = 13
"""Seconds since 1970 have ten digits from September 2001 to November 2286, milliseconds three more."""

TIME_OF_DAY: Final = re.compile(r"\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?( ?[AaPp][Mm])?")

DAY_ZERO: Final = datetime(1899, 12, 30)  # noqa: DTZ001  local, as what is counted from it
"""Spreadsheets count days from here (ECMA-376, 18.17.4.1: the 1900 date system, from 1 March 1900 on)."""

_SERIAL_DAYS: Final = (36_526.0, 73_051.0)
"""The years 2000 to 2099 in days since `DAY_ZERO`."""

_SINCE_ZERO: Final = timedelta(minutes=1)
"""A clock that begins within a minute of midnight is rather one that began with the log. Invented; it is asked."""


@dataclass(frozen=True)
class TimeFormats:
    """Ways in which some times can be read.

    Attributes
    ----------
    formats : tuple of str
        All that fit every one of them, likeliest first.
    sure : bool
        Only one fits, or all others would put the rows out of order or far apart.
    zone_needed : bool
        They carry no offset.
    """

    formats: tuple[str, ...]
    sure: bool
    zone_needed: bool


def formats_of(texts: list[str]) -> TimeFormats:
    """Tell how times are written."""
    some = [text for text in texts if text]
    if not some:
        return TimeFormats((), sure=False, zone_needed=True)
    if all(re.fullmatch(r"\d+([.,]\d+)?", text) for text in some):
        whole = {len(re.split("[.,]", text)[0]) for text in some}
        if whole == {_SECONDS_DIGITS}:
            return TimeFormats(("unix-s",), sure=True, zone_needed=False)
        if whole == {_MILLISECONDS_DIGITS}:
            return TimeFormats(("unix-ms",), sure=True, zone_needed=False)
        numbers = [float(text.replace(",", ".")) for text in some]
        if all(_SERIAL_DAYS[0] <= number < _SERIAL_DAYS[1] for number in numbers) and any(n % 1 for n in numbers):
            return TimeFormats(("days-1900", "elapsed-s"), sure=False, zone_needed=True)
        if max(whole) < _SECONDS_DIGITS:
            rising = all(float(b.replace(",", ".")) >= float(a.replace(",", ".")) for a, b in pairwise(some))
            return TimeFormats(("elapsed-s",) if rising else (), sure=False, zone_needed=True)
    if all(TIME_OF_DAY.fullmatch(text) for text in some):
        since_zero = elapsed(some[0]) <= _SINCE_ZERO if some[0][-1].isdecimal() else False
        return TimeFormats(("elapsed-s", "clock") if since_zero else ("clock",), sure=not since_zero, zone_needed=True)
    try:
        moments = [datetime.fromisoformat(text) for text in some]
    except ValueError:
        pass
    else:
        return TimeFormats(("iso",), sure=True, zone_needed=any(moment.tzinfo is None for moment in moments))
    fitting = [(spread, pattern) for pattern in FORMATS if (spread := _spread(some, pattern)) is not None]
    # In order and close together first; a format that comes earlier wins a tie.
    fitting.sort(key=lambda pair: pair[0])
    # Rows of one log lie in order; read the wrong way round, days become months and leave it.
    sure = len(fitting) == 1 or (len(fitting) > 1 and not fitting[0][0][0] and fitting[1][0][0])
    return TimeFormats(tuple(pattern for _, pattern in fitting), sure=sure, zone_needed=True)


def elapsed(text: str) -> timedelta:
    """Read a time since the beginning of a log: seconds, or hours:minutes:seconds.

    Raises
    ------
    ValueError
    """
    parts = [float(part) for part in text.replace(",", ".").split(":")]
    if len(parts) == 1:
        return timedelta(seconds=parts[0])
    hours, minutes, *seconds = parts
    return timedelta(hours=hours, minutes=minutes, seconds=sum(seconds))


def time_of_day(text: str) -> time:
    """Read a time of day, on a clock of 24 or of twelve hours.

    Raises
    ------
    ValueError
    """
    found = TIME_OF_DAY.fullmatch(text.strip())
    if found is None:
        raise ValueError("it is not a time of day")
    bare = text.strip()
    half = bare[-2:].upper() if bare[-1:].isalpha() else ""
    parts = bare.removesuffix(bare[-2:]).strip().split(":") if half else bare.split(":")
    hour, seconds = int(parts[0]), float(parts[2].replace(",", ".")) if len(parts) > 2 else 0.0
    if half:
        if not 1 <= hour <= 12:
            raise ValueError("a clock of twelve hours shows no such hour")
        hour = hour % 12 + (12 if half == "PM" else 0)
    return time(hour, int(parts[1]), int(seconds), round(seconds % 1 * 1e6))


def _spread(texts: list[str], pattern: str) -> tuple[bool, timedelta] | None:
    try:
        moments = [datetime.strptime(text, pattern) for text in texts]  # noqa: DTZ007  only whether it fits
    except ValueError:
        return None
    return any(b < a - timedelta(hours=1) for a, b in pairwise(moments)), max(moments) - min(moments)
