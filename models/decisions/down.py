"""A vehicle whose fault is back is down: it needs another pack first of all, and no curve is weighed for that."""

from __future__ import annotations

from datetime import datetime, timedelta

from models.forecasts.last_seen import REFUSE_AFTER_DAYS


def nothing_since(came_back: datetime, charged: datetime | None, ended: datetime | None) -> bool:
    """Whether nothing was entered since a fault came back that puts a vehicle on the road again or ends its wait.

    Parameters
    ----------
    charged : datetime, optional
        The newest charge of the pack. One after the fault puts it on the road again.
    ended : datetime, optional
        When it was replaced or its vehicle taken out of use; at that moment or later the wait is over.
    """
    return not (charged is not None and charged > came_back) and not (ended is not None and ended >= came_back)


def is_down(came_back: datetime, now: datetime) -> bool:
    """Whether a fault since which nothing was entered still keeps a vehicle off the road: one rule at every door.

    Notes
    -----
    After as many days as no decision goes by what was entered (`REFUSE_AFTER_DAYS`) nobody knows whether it still
    waits: it is asked what became of it.
    """
    return timedelta(0) <= now - came_back <= timedelta(days=REFUSE_AFTER_DAYS)
