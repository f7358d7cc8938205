"""The day on which something promised or planned in days falls: one reckoning for sheet, page and calendar."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.core.translation import _


def day_reached(origin: datetime, days: float) -> datetime:
    """Return the moment so many whole days after a forecast; its local day is the one to tell.

    Parts of a day are dropped, as the sentences drop them: a promise must not grow on its way to the owner.
    """
    return origin + timedelta(days=math.floor(days))


def is_over(origin: datetime, days: float, now: datetime) -> bool:
    """Whether a promise has ended at a moment; a forecast that promises not even one day has nothing that could."""
    return days >= 1 and day_reached(origin, days) <= now


def is_last_day(origin: datetime, days: float, now: datetime) -> bool:
    """Whether less than a whole day is left of a promise: then its hour is told and no count of days."""
    return day_reached(origin, days) - now < timedelta(days=1)


def to_the_minute(moment: datetime) -> str:
    """Write the end of a promise for programs (ISO 8601): a bare day would grow it to that day's midnight."""
    return moment.isoformat(sep=" ", timespec="minutes")


def local_date(moment: datetime, zone: ZoneInfo) -> date:
    """Return the day on which a moment falls where the house is."""
    return moment.astimezone(zone).date()


def back_by(day: str) -> str:
    """Say by when a car has to be back: one sentence for the sheet, the owner's slip and the calendar.

    Parameters
    ----------
    day : str
        The end of what is promised, to the minute, as whoever asks writes moments.
    """
    return _("Bring the car back by %(day)s at the latest, and at once if a warning lamp comes on.") % {"day": day}


def unseen_words(since: datetime, now: datetime, day: str) -> str:
    """Say of a pack of which nothing is promised that what was entered promises nothing, or since when nothing was.

    Parameters
    ----------
    since : datetime
        Of its newest reading or top-up.
    day : str
        Of `since`, as whoever asks writes days.
    """
    if not unseen_for_a_day(since, now):
        return _("not even one day can be promised")
    return _("nothing entered since %(day)s") % {"day": day}


def unseen_for_a_day(since: datetime, now: datetime) -> bool:
    """Whether nothing was read or done for a day: who read it three hours ago, before midnight, is not sent back."""
    return now - since >= timedelta(days=1)


def reading_day(last: datetime, planned: datetime | None, zone: ZoneInfo) -> datetime | None:
    """Return the day on which another reading tells most, where it comes before the last promised day.

    Parameters
    ----------
    last : datetime
        Last promised day.
    planned : datetime or None
        Day of a recheck plan.
    zone : ZoneInfo
        In which days begin.

    Returns
    -------
    datetime or None
        None if there is no plan, or if the car is back by then anyway.
    """
    if planned is None or local_date(planned, zone) >= local_date(last, zone):
        return None
    return planned


def dates_said(
    last: datetime,
    planned: datetime | None,
    zone: ZoneInfo,
    in_words: Callable[[datetime, ZoneInfo], str],
    day: Callable[[datetime, ZoneInfo], str],
) -> list[str]:
    """Say by when a car has to be back, and on which earlier day a reading tells most.

    The same words stand on the release sheet, the owner's slip, the recheck's page and in the calendar.

    Parameters
    ----------
    last, planned, zone
        As for `reading_day`.
    in_words : callable
        Writes a moment: the promise ends at that hour, not at the end of its day.
    day : callable
        Writes a moment's local day.
    """
    said = [back_by(in_words(last, zone))]
    if (planned_day := reading_day(last, planned, zone)) is not None:
        said.append(_("The best day to read it again is %(day)s.") % {"day": day(planned_day, zone)})
    return said
