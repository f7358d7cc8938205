"""Facts on record after the moment that somebody asked about: what was true then lets nobody go now."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from models.base.messages import say, say_together
from models.forecasts.forecast import Flag
from models.forecasts.withheld import DANGER_SINCE

LATER_FACTS: Final = Flag(
    "later-facts-ignored", say("Readings or top-ups after the moment of the forecast were not used.")
)


def danger_since(moment: datetime, told: Sequence[str]) -> Flag:
    """Say that by what was recorded after a moment nobody is let go.

    Parameters
    ----------
    told : sequence of str
        What stops the pack, or withholds its days, as things stand.
    """
    text = say(
        "There are entries after %(day)s, the moment that was asked about, and by them the pack must not be driven or "
        "charged yet: %(what)s",
        day=moment.isoformat(sep=" ", timespec="minutes"),
        what=say_together(*told),
    )
    return Flag(DANGER_SINCE, text, grave=True)
