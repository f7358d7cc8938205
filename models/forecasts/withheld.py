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
"""Codes of the flags that speak of when somebody asked. They withhold nothing of what was true then; lists go by when
each pack was last seen."""


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
    of_the_pack = (flag for flag in flags if flag.code not in (NOT_OF_TODAY, ENDED_SINCE))
    return tuple(dict.fromkeys(flag.code for flag in of_the_pack if flag.grave or flag.code == UNREAD_AFTER))
