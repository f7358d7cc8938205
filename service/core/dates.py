"""Days and moments as people write them, with the zone of the house."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from service.core.translation import _

_STANDARD: Final = re.compile(r"\b\d{4}-\d\d-\d\d(?:[ T]\d\d:\d\d(?::\d\d)?(?:[+-]\d\d:\d\d|Z))?(?![\w-])")
"""A day, or a moment with its offset, as answers for programs write it (ISO 8601)."""


def _months() -> tuple[str, ...]:
    return (
        _("Jan"),
        _("Feb"),
        _("Mar"),
        _("Apr"),
        _("May"),
        _("Jun"),
        _("Jul"),
        _("Aug"),
        _("Sep"),
        _("Oct"),
        _("Nov"),
        _("Dec"),
    )


def _weekdays() -> tuple[str, ...]:
    return _("Mon"), _("Tue"), _("Wed"), _("Thu"), _("Fri"), _("Sat"), _("Sun")


def zone_name(moment: datetime) -> str:
    """Name the zone of a local time, as ``UTC`` or ``UTC-01``."""
    name = moment.tzname() or ""
    return f"UTC{name}" if name.startswith(("+", "-")) else name


def in_words(moment: datetime, zone: ZoneInfo) -> str:
    """Write a moment as a local time with its zone: ``Sat 14 Mar 2026, 09:00 UTC``."""
    local = moment.astimezone(zone)
    return f"{day_in_words(moment, zone)}, {local:%H:%M} {zone_name(local)}"


def day_in_words(moment: datetime, zone: ZoneInfo) -> str:
    """Write the local day of a moment: ``Sat 14 Mar 2026``."""
    local = moment.astimezone(zone)
    return f"{_weekdays()[local.weekday()]} {local.day} {_months()[local.month - 1]} {local.year}"


def month_in_words(month: str) -> str:
    """Write a month of a year as the pages do: ``Mar 2026`` for ``2026-03``."""
    year, number = month.split("-")
    return f"{_months()[int(number) - 1]} {year}"


def dated(text: str, zone: ZoneInfo) -> str:
    """Write the days and moments in a sentence as the pages do: ``Sat 14 Mar 2026`` for ``2026-03-14``."""

    def words(found: re.Match[str]) -> str:
        try:
            moment = datetime.fromisoformat(found[0])
            return day_in_words(moment.replace(tzinfo=zone), zone) if moment.tzinfo is None else in_words(moment, zone)
        except (ValueError, OverflowError):
            return found[0]  # no day of the calendar, or one at its very edge: somebody typed it

    return _STANDARD.sub(words, text)
