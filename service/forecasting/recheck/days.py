"""The day on which something promised or planned in days falls: one reckoning for sheet, page and calendar."""

from __future__ import annotations

import math
from datetime import datetime, timedelta


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
