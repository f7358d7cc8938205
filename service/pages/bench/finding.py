"""Finding a unit by the number of its vehicle or its pack, and those that somebody worked on lately."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import func, select, union
from sqlalchemy.orm import Session

from models.packs.family import PackFamily
from service.core.translation import _
from service.forecasting.issued.scores import still_out
from service.forecasting.recheck.days import day_reached
from service.records.stopped import under_stop
from service.records.unweighed import unweighed_packs
from service.store.schema import Assignment, Delivery, IssuedForecast, Outcome, Pack, Reading, Score, TopUp

FOUND: Final = 20
"""Units on a page."""

_RUNS: Final = re.compile(r"[^\W\d_]+|\d+")

LOOKED_BACK: Final = 200
"""Newest readings and top-ups among which the units of late are sought."""


@dataclass(frozen=True)
class Found:
    """A unit as a list shows it.

    Attributes
    ----------
    vehicle_id : str or None
        That it sits in now.
    last_fact : datetime or None
        Of its newest reading or top-up.
    good_for_days : float or None
        Of its newest forecast that stands, from `origin`.
    ordered : bool
        Whether a pack to replace it is on its way.
    stop : str or None
        What ends the job there; nothing is promised then.
    grave : bool
        Whether that forecast warns, or the one before warned, of something to be looked at first; no day is told then.
    unweighed : bool
        Whether something is recorded that its newest forecast does not know.
    topped_at : datetime or None
        Of its newest top-up.
    became : str or None
        What ended that; None while it is out on it.
    """

    pack_id: str
    family: str
    vehicle_id: str | None
    last_fact: datetime | None
    good_for_days: float | None
    origin: datetime | None
    ordered: bool
    stop: str | None
    grave: bool
    unweighed: bool
    topped_at: datetime | None
    became: str | None
    became_at: datetime | None

    @property
    def name(self) -> str:
        """What people call it: the vehicle's fleet number, or else the pack's own."""
        return self.vehicle_id or self.pack_id

    @property
    def good_until(self) -> datetime | None:
        """The last promised day of its newest forecast that stands."""
        if self.origin is None or self.good_for_days is None or self.good_for_days < 1 or self.grave:
            return None  # not even a day was promised, what was is used up, or nobody may count on it
        return day_reached(self.origin, self.good_for_days)


def find_units(
    session: Session, words: str, after: str, families: Mapping[str, PackFamily]
) -> tuple[list[Found], str | None]:
    """Return units whose vehicle or pack has these words in its number, and where the next page begins.

    Parameters
    ----------
    after : str
        Last pack of the page before; empty for the first page.
    """
    strict = _pattern(words)
    units, last = _found(session, strict, after, families)
    if units or (after and _found(session, strict, "", families)[0]):
        return units, last
    # "MB-7" is nowhere just so, but MB-VAN-07 is what was meant.
    loose = "%".join(_RUNS.findall(words))
    return _found(session, loose, after, families) if loose else (units, last)


def _found(
    session: Session, like: str, after: str, families: Mapping[str, PackFamily]
) -> tuple[list[Found], str | None]:
    pattern, sits = f"%{like}%", Assignment.until.is_(None)
    # Each reads one index alone, in order, up to the page's end: the pack's own number, and that of its vehicle.
    sought = [
        select(column.label("pack_id"))
        .where(_has(session, number, pattern), column > after, *more)
        .order_by(column)
        .limit(FOUND + 1)
        .subquery()
        for column, number, more in ((Pack.id, Pack.id, ()), (Assignment.pack_id, Assignment.vehicle_id, (sits,)))
    ]
    both = union(*(select(one.c.pack_id) for one in sought)).subquery()
    query = select(both.c.pack_id).order_by(both.c.pack_id).limit(FOUND + 1)
    names = list(session.scalars(query))
    return described(session, names[:FOUND], families), names[FOUND - 1] if len(names) > FOUND else None


def _pattern(words: str) -> str:
    """Return words for `LIKE`: as they stand, or, written in letters and digits alone, with anything between those.

    "van 1" and "VAN1" find MB-VAN-15; "mb-0001" finds what holds just that.
    """
    if re.fullmatch(r"[^\W_]+( +[^\W_]+)*", words):
        return "%".join(_RUNS.findall(words))
    return words.replace("!", "!!").replace("%", "!%").replace("_", "!_")


def whole_number(words: str, name: str) -> bool:
    """Whether a number is meant just as it was typed: "van 1" is MB-VAN-01 rather than MB-VAN-15.

    Examples
    --------
    >>> [whole_number("van 1", name) for name in ("MB-VAN-01", "MB-VAN-15")]
    [True, False]
    """
    runs = [rf"0*{int(run)}" if run.isdecimal() else re.escape(run) for run in _RUNS.findall(words)]
    return bool(runs) and re.search(r"(?<!\d)" + r"[\W_]*".join(runs) + r"(?!\d)", name, re.IGNORECASE) is not None


def exactly(session: Session, words: str) -> str | None:
    """Return the pack that is called just so, or sits in the vehicle that is; None also where these are two packs."""
    called = words if session.get(Pack, words) is not None else None
    sits = pack_in(session, words)
    return called or sits if None in (called, sits) or called == sits else None


def pack_in(session: Session, vehicle_id: str) -> str | None:
    """Return the pack that sits in a vehicle now."""
    sits = select(Assignment.pack_id).where(Assignment.vehicle_id == vehicle_id, Assignment.until.is_(None))
    return session.scalar(sits)


def _has(session: Session, number: Any, pattern: str) -> Any:
    """Return the condition that a number is like a pattern, in capitals or not."""
    # LIKE of SQLite passes over capitals by itself, and far faster than on numbers written small first.
    like = number.like if session.get_bind().dialect.name == "sqlite" else number.ilike
    return like(pattern, escape="!")


def how_many(session: Session) -> int:
    """Return how many units there are."""
    return session.scalar(select(func.count()).select_from(Pack)) or 0


def lately(session: Session, families: Mapping[str, PackFamily]) -> list[Found]:
    """Return the units that something was entered of last, the newest first, then those of which nothing was."""
    newest: dict[str, datetime] = {}
    for table in (Reading, TopUp):
        columns = table.__table__.c
        query = select(columns.pack_id, columns.time).order_by(columns.time.desc()).limit(LOOKED_BACK)
        for name, time in session.execute(query):
            newest[name] = max(time, newest.get(name, time))
    names = sorted(newest, key=lambda name: newest[name], reverse=True)[:FOUND]
    if len(names) < FOUND:
        others = select(Pack.id).where(Pack.id.not_in(newest)).order_by(Pack.recorded_at.desc(), Pack.id)
        names += session.scalars(others.limit(FOUND - len(names)))
    found = {unit.pack_id: unit for unit in described(session, names, families)}
    return [found[name] for name in names if name in found]


def described(session: Session, names: Sequence[str], families: Mapping[str, PackFamily]) -> list[Found]:
    """Return units with what a list says of them, in the order of their packs' names."""
    sits = select(Assignment.pack_id, Assignment.vehicle_id).where(
        Assignment.pack_id.in_(names), Assignment.until.is_(None)
    )
    vehicles = {row.pack_id: row.vehicle_id for row in session.execute(sits)}
    facts: dict[str, datetime] = {}
    for table in (Reading, TopUp):
        columns = table.__table__.c
        query = (
            select(columns.pack_id, func.max(columns.time)).where(columns.pack_id.in_(names)).group_by(columns.pack_id)
        )
        for name, time in session.execute(query):
            facts[name] = max(time, facts.get(name, time))
    topped = _newest_topups(session, names)
    became = _what_became(session, topped)
    columns = IssuedForecast.__table__.c
    standing = select(columns.pack_id, columns.good_for_days, columns.origin, Score.grave).join(
        Score, Score.forecast_id == columns.id
    )
    forecasts = {row.pack_id: row for row in session.execute(standing.where(Score.pack_id.in_(names), still_out()))}
    stopped = {one.pack_id: one.stops[0] for one in under_stop(session, families, [Pack.id.in_(names)])}
    unweighed = unweighed_packs(session, names)
    coming = set(
        session.scalars(select(Delivery.pack_id).where(Delivery.pack_id.in_(names), Delivery.arrived_at.is_(None)))
    )
    packs = session.execute(select(Pack.id, Pack.family).where(Pack.id.in_(names)).order_by(Pack.id))
    return [
        Found(
            pack_id=name,
            family=family,
            vehicle_id=vehicles.get(name),
            last_fact=facts.get(name),
            good_for_days=forecasts[name].good_for_days if name in forecasts else None,
            origin=forecasts[name].origin if name in forecasts else None,
            ordered=name in coming,
            stop=_(stopped[name].text) if name in stopped else None,
            grave=unweighed.get(name, False) or (name in forecasts and forecasts[name].grave),
            unweighed=name in unweighed,
            topped_at=topped.get(name),
            became=became[name].kind if name in became else None,
            became_at=became[name].time if name in became else None,
        )
        for name, family in packs
    ]


def _newest_topups(session: Session, names: Sequence[str]) -> dict[str, datetime]:
    query = select(TopUp.pack_id, func.max(TopUp.time)).where(TopUp.pack_id.in_(names)).group_by(TopUp.pack_id)
    return {row[0]: row[1] for row in session.execute(query)}


def _what_became(session: Session, topped: Mapping[str, datetime]) -> dict[str, Outcome]:
    """Return the newest outcome of each pack that ended its newest top-up."""
    query = select(Outcome).where(Outcome.pack_id.in_(topped), Outcome.kind != "running").order_by(Outcome.time)
    return {one.pack_id: one for one in session.scalars(query) if one.time >= topped[one.pack_id]}
