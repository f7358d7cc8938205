"""The day on which something promised or planned in days falls: one reckoning for sheet, page and calendar."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from service.core.translation import _


def day_reached(origin: datetime, days: float) -> datetime:
    """Return the moment so many whole days after a forecast; its local day is the one to tell.

    Parts of a day are dropped, as the sentences drop them: a promise must not grow on its way to the owner.

    Parameters
    ----------
    origin : datetime
    days : float

    Returns
    -------
    datetime
    """
    return origin + timedelta(days=math.floor(days))


def back_by(day: str) -> str:
    """Say by when a car has to be back: one sentence for the sheet, the owner's slip and the calendar.

    Parameters
    ----------
    day : str
        The last promised day, as whoever asks writes days.
    """
    return _("Bring the car back by %(day)s at the latest, and at once if a warning lamp comes on.") % {"day": day}
