"""What is to be told now: it follows from the store alone, so that nothing can be forgotten between two looks."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, Literal
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.base.counts import days as counted_days
from models.base.day_grid import DAYS
from models.base.percents import risk_percent
from models.packs.family import PackFamily
from service.core.cautions import driving
from service.decisions.basis.open_cases import OpenCases, open_cases
from service.decisions.calendar.feed import DayKind, days_due
from service.notices.receivers import About
from service.store.schema import Assignment, Receiver, TopUp

ABOUT_DAYS: Final[Mapping[DayKind, About]] = {
    "stop": "stop",
    "reading": "recheck",
    "recheck": "recheck",
    "order": "order",
}
AT_ONCE: Final = frozenset({"stop", "alarm"})
"""What does not wait for the next digest."""


@dataclass(frozen=True)
class Due:
    """Something to be told.

    Attributes
    ----------
    key : str
        The same as long as it is the same thing: a receiver is told of it once.
    day : date or None
        On which something is to be done.
    """

    about: About | Literal["test"]
    key: str
    title: str
    text: str
    pack_id: str | None = None
    vehicle_id: str | None = None
    day: date | None = None


@dataclass(frozen=True)
class Alarm:
    """The alarm of the live record, by the newest self-check.

    Attributes
    ----------
    since : int
        Number of the self-check since which it stands.
    """

    since: int
    text: str


@dataclass(frozen=True, eq=False)
class Situation:
    """What receivers may have to be told of, each by its own measure.

    Attributes
    ----------
    days : tuple of Due
        Each with its day.
    topped : mapping of str to datetime
        Newest top-up of each pack.
    """

    today: date
    days: tuple[Due, ...]
    cases: OpenCases
    topped: Mapping[str, datetime]
    alarm: Alarm | None

    def for_receiver(self, receiver: Receiver) -> Iterator[Due]:
        """Yield what a receiver is to be told of, the grave first."""
        wanted = [due for due in self.days if due.about in receiver.wants]
        yield from (due for due in wanted if due.about == "stop")
        if self.alarm is not None and "alarm" in receiver.wants:
            yield Due("alarm", _key("alarm", self.alarm.since), "Forecasts no longer come true", self.alarm.text)
        for due in wanted:
            if due.about != "stop" and due.day is not None and (due.day - self.today).days <= receiver.days_ahead:
                yield due
        if "fault" in receiver.wants:
            yield from self._likely(receiver.fault_within_days, receiver.fault_chance)

    def _likely(self, within: int, chance: float) -> Iterator[Due]:
        if not len(self.cases):
            return
        returned = 1 - np.array([np.interp(within, DAYS, curve) for curve in self.cases.survival])
        for case, share in zip(self.cases.cases, returned.tolist(), strict=True):
            if share >= chance and not case.held_back:
                said = f"The fault is back within {counted_days(within)} in {risk_percent(share)} of such cases."
                told = f"{said} {driving()[0]}"
                key = _key("fault", case.pack_id, self.topped.get(case.pack_id), within)
                title = f"{case.name}: the fault is likely to return within {counted_days(within)}"
                yield Due("fault", key, title, told, case.pack_id, case.vehicle_id)


def situation(
    session: Session, now: datetime, zone: ZoneInfo, families: Mapping[str, PackFamily], alarm: Alarm | None
) -> Situation:
    """Read what there may be to tell.

    Parameters
    ----------
    zone : ZoneInfo
        In which days begin.
    """
    today = now.astimezone(zone).date()
    topped = {
        row.pack_id: row.time
        for row in session.execute(select(TopUp.pack_id, func.max(TopUp.time).label("time")).group_by(TopUp.pack_id))
    }
    days = list(days_due(session, now, zone, families))
    sits = select(Assignment.pack_id, Assignment.vehicle_id).where(Assignment.until.is_(None))
    vehicles = {row.pack_id: row.vehicle_id for row in session.execute(sits)} if days else {}
    found = []
    for day in days:
        # What is overdue stands under today every day anew, and is still the same thing; what stops a pack is told
        # again where other facts do.
        when = "now" if day.day <= today else day.day
        which = day.description if day.kind == "stop" else when
        key = _key(day.kind, day.pack_id, topped.get(day.pack_id), day.summary, which)
        about: About = "stop" if day.grave else ABOUT_DAYS[day.kind]
        found.append(Due(about, key, day.summary, day.description, day.pack_id, vehicles.get(day.pack_id), day.day))
    return Situation(today, tuple(found), open_cases(session, now), topped, alarm)


def _key(*parts: object) -> str:
    said = "\n".join(part.isoformat() if isinstance(part, date) else str(part) for part in parts)
    return hashlib.sha256(said.encode("utf-8", "surrogatepass")).hexdigest()
