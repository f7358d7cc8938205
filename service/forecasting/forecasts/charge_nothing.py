"""Grave flags under which nothing more is put into the pack, and no charge is weighed, before somebody looked."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Final

from models.base.messages import say
from models.forecasts.forecast import Flag
from models.packs.history import PackHistory
from models.packs.stops import Stop
from models.packs.stops.known import LOOK_AFTER
from service.forecasting.forecasts.schemas import EvidenceFlag

CHARGE_NOTHING: Final = frozenset(
    {"overcharge", "charged-again", "fast-charge", "block-not-risen", "maybe-charged-cold", "warm-pack"}
)
"""A charge that may have harmed cells, or did not show, and heat that nobody explains. Common practice, no source."""

_HEAT: Final = "warm-pack"
"""May be newer than a look, and is lifted by the look itself."""

LOOK: Final = say(
    "Charge nothing more. Let it stand in a ventilated place, look for swelling, leaks and heat, and read all blocks "
    "at rest, 20 hours after that charge at the earliest. Once that reading says what was seen (inspected), a charge "
    "is weighed again."
)


def warned_of(
    flags: Iterable[Flag | EvidenceFlag], history: PackHistory, at: datetime | None
) -> list[Flag | EvidenceFlag]:
    """Return the grave flags that forbid any charge by a moment: nobody has looked since the newest charge."""
    charged = max((t.time for t in history.topups if at is None or t.time <= at), default=None)
    looked = charged is not None and any(
        r.inspected == "sound" and r.time >= charged + LOOK_AFTER and (at is None or r.time <= at)
        for r in history.readings
    )
    return [f for f in flags if f.grave and f.code in CHARGE_NOTHING and (f.code == _HEAT or not looked)]


def stops_of_warnings(warned: Iterable[Flag | EvidenceFlag]) -> tuple[Stop, ...]:
    """Return grave flags as what ends charging."""
    return tuple(Stop(f.code, "charging", f.text, LOOK, "common practice, no source", by_look=True) for f in warned)
