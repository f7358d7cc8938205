"""Moments that are told as past but lie ahead."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

from models.base.errors import Problem
from service.core.translation import _
from service.records.field_words import to_the_minute

CLOCKS_DIFFER: Final = timedelta(minutes=5)
"""The clock of whoever sends a fact and the service's may differ by so much. Our choice."""


def not_yet(when: Mapping[str, datetime | None], now: datetime) -> list[Problem]:
    """List the moments that are told as past but lie ahead: what has happened cannot, and a promise would count on it.

    Parameters
    ----------
    when : mapping of str to datetime
        By place; None where nothing was told.
    """
    return [
        Problem(
            where,
            _("%(time)s is in the future; it is %(now)s now.")
            % {"time": to_the_minute(time), "now": to_the_minute(now)},
            _("Give the time at which it happened; if it is right, this machine's clock is wrong."),
        )
        for where, time in when.items()
        if time is not None and time > now + CLOCKS_DIFFER
    ]
