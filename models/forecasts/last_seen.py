"""How long ago a pack was last seen, and when that is too long to go by: one rule for every question."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from models.base import counts
from models.base.messages import Said, say
from models.forecasts.forecast import Flag
from models.forecasts.withheld import NOT_OF_TODAY
from models.packs.history import PackHistory

ASK_AFTER_DAYS: Final = 10.0
"""After so long without a record a new reading is asked for first: a week holds with confidence, two are the best guess
(common practice, no source)."""

REFUSE_AFTER_DAYS: Final = 30.0
"""After so long nothing is decided, released or charged by what was read then. Our choice: two waits of two weeks, the
usual one for a pack (common practice, no source)."""


def days_unseen(seen: datetime | None, now: datetime) -> float:
    """Return the days since a pack was last seen, 0 where that is not known."""
    return 0.0 if seen is None else (now - seen) / timedelta(days=1)


def not_of_today(history: PackHistory, now: datetime) -> tuple[Flag, ...]:
    """Say that an answer which counts from the newest record is not one of today, where that is long ago."""
    seen = history.seen_at(now)
    if seen is None or days_unseen(seen, now) <= ASK_AFTER_DAYS:
        return ()
    return (Flag(NOT_OF_TODAY, _since(seen, now), grave=True),)


def _since(seen: datetime, now: datetime) -> Said:
    return say(
        "Its newest record is of %(day)s, %(days)s ago: nobody knows whether it still holds. Read all blocks at "
        "rest, and under load, and ask again.",
        day=seen.date().isoformat(),
        days=counts.days(int(days_unseen(seen, now))),
    )
