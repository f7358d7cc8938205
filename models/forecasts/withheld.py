"""What withholds the days of a forecast: nobody is told how long a pack holds that must not be driven yet.

One rule for every door: whatever tells a promised day, a chance on the way or the days of return asks here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Protocol

UNREAD_AFTER: Final = "no-rest-after"
"""Code of the flag of a pack that nobody read at rest since its charge: it is read before it is driven. Common
practice, no source."""

NOT_OF_TODAY: Final = "not-of-today"
ENDED_SINCE: Final = "ended-since"
DANGER_SINCE: Final = "danger-since"
"""Codes of the flags that speak of when somebody asked: what was true then lets nobody go today."""


class Told(Protocol):
    """A flag as any door tells it."""

    @property
    def code(self) -> str:
        """Short and stable, for machines."""
        ...

    @property
    def grave(self) -> bool:
        """Whether it is to be looked at before anybody goes by the figures."""
        ...


def withheld_by(flags: Iterable[Told]) -> tuple[str, ...]:
    """Return the codes of the flags that withhold a forecast's days, each once; empty where they may be told."""
    return tuple(dict.fromkeys(flag.code for flag in flags if flag.grave or flag.code == UNREAD_AFTER))


def undecided_by(withheld: Iterable[str]) -> tuple[str, ...]:
    """Return those of the codes that withhold a forecast's days under which nothing is bought or planned by its curve.

    Of how long ago a pack was seen decisions have a rule of their own (`models.forecasts.last_seen`).

    Parameters
    ----------
    withheld : iterable of str
        As `withheld_by` returns them.
    """
    return tuple(code for code in withheld if code != NOT_OF_TODAY)
