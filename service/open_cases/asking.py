"""What the routes of all decisions are asked with."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import Depends, Path, Request


def time_now(request: Request) -> datetime:
    """Return the time now, as a dependency."""
    now: datetime = request.app.state.clock()
    return now


Now = Annotated[datetime, Depends(time_now)]
CasePack = Annotated[str, Path(description="The pack's name.", max_length=64)]
