"""Moments: times with an offset, in years that can be meant."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Final

from pydantic import AfterValidator, AwareDatetime

from models.base.errors import wrong

EARLIEST: Final = datetime(1990, 1, 1, tzinfo=UTC)
LATEST: Final = datetime(2100, 1, 1, tzinfo=UTC)
"""No hybrid was on the road before, and a date beyond is a slip of the pen."""


def _plausible(moment: datetime) -> datetime:
    if not EARLIEST <= moment < LATEST:
        raise wrong(f"{moment.isoformat()} is not a time between 1990 and 2100.", "Correct the year.")
    return moment


Moment = Annotated[AwareDatetime, AfterValidator(_plausible)]
"""What every time that comes from outside is checked as."""
