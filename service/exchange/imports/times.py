"""How the times of a file are written, told from the times themselves."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
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
        if max(whole) < _SECONDS_DIGITS:
            rising = all(float(b.replace(",", ".")) >= float(a.replace(",", ".")) for a, b in pairwise(some))
            return TimeFormats(("elapsed-s",) if rising else (), sure=False, zone_needed=True)
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


def _spread(texts: list[str], pattern: str) -> tuple[bool, timedelta] | None:
    try:
        moments = [datetime.strptime(text, pattern) for text in texts]  # noqa: DTZ007  only whether it fits
    except ValueError:
        return None
    return any(b < a - timedelta(hours=1) for a, b in pairwise(moments)), max(moments) - min(moments)
