"""Recheck and order days of the packs that are out on a top-up, as an iCalendar feed (RFC 5545)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.counts import days as counted_days
from models.base.percents import level_percent
from models.decisions.lead_time import LeadTime
from models.decisions.ordering import latest_order_days
from models.packs.cautions import Chemistry
from models.packs.family import PackFamily
from service.core.cautions import at_the_pack, driving, shared_chemistry
from service.core.dates import dated
from service.decisions.basis.lead_times import OnOrder, offer_lead_time, on_order, standing_offers
from service.decisions.basis.needs_pack import Down, lost_from_sight, orders_for, vehicles_down
from service.decisions.basis.open_cases import OpenCase, OpenCases, open_cases, without_forecast
from service.decisions.basis.sentences import rests_on
from service.decisions.ordering.last_day import last_day_said
from service.decisions.ordering.schemas import USUAL_RISK
from service.forecasting.forecasts.sentences import read_first_said
from service.forecasting.issued.scores import still_out
from service.forecasting.recheck.days import dates_said, reading_day, to_the_minute, unseen_for_a_day
from service.records.stopped import UnderStop, under_stop, vehicle_names
from service.records.unweighed import unweighed_packs
from service.store.schema import IssuedForecast, Offer, Score

MEDIA_TYPE: Final = "text/calendar"

BEFORE_THE_DAY: Final = timedelta(hours=15)
ALARM: Final = "-PT15H"
"""Of every event whose alarm lies ahead: at nine in the morning of the day before (RFC 5545, 3.8.6.3). The hour is our
choice."""

READ_AT_ONCE: Final = 500
"""Packs whose days are found together, so that the first are sent while others are looked for. Our choice."""

GRAVE: Final = (
    "Its forecast warns of something to be looked at before anybody goes by its figures: see the unit's page."
)
"""Said of a pack instead of a day."""

NOT_WEIGHED: Final = "Something was entered since its newest forecast, which is not weighed in."
"""Said first of such a pack."""

LINE_OCTETS: Final = 75
"""Longest line, without its end (RFC 5545, 3.1)."""


DayKind = Literal["stop", "reading", "recheck", "order"]


@dataclass(frozen=True)
class Day:
    """Something to be done on a day about a pack."""

    kind: DayKind
    pack_id: str
    day: date
    summary: str
    description: str
    grave: bool = False
    """Whether the pack is not to be driven."""

    @property
    def uid(self) -> str:
        """Its identifier: of each kind a pack has one day."""
        return f"{self.kind}-{self.pack_id}@tideover.invalid"


def days_due(session: Session, now: datetime, zone: ZoneInfo, families: Mapping[str, PackFamily]) -> Iterator[Day]:
    """Yield what stops packs, the recheck days, then the days on which packs are to be ordered or expected.

    A pack that a fact stops stands under today, in the place of its days: nothing is promised of it. So does a vehicle
    whose fault is back, with a pack to be ordered, and one of which nothing was entered for long since then.

    The last promised day is the good-for day at 90 % of the newest forecast of a pack whose last top-up has no outcome
    yet: the local day by which the release sheet has the owner bring the car back. Before it comes the day on which a
    reading tells most, where the sheet names one.
    The order day is the last one on which some standing offer still keeps to the usual risk that the fault beats the
    delivery, as in the queue; where none does, today has a pack to be ordered now. A pack on order has the day it is
    expected instead.
    """
    for day in _days_due(session, now, zone, families):
        yield replace(day, summary=dated(day.summary, zone), description=dated(day.description, zone))


def _days_due(session: Session, now: datetime, zone: ZoneInfo, families: Mapping[str, PackFamily]) -> Iterator[Day]:
    # What is past would only fill a calendar; the boards of the pages say what is overdue.
    today, seen = now.astimezone(zone).date(), set()
    for one in under_stop(session, families):
        yield _stop_day(one, today, shared_chemistry(families, [one.family]))
    yield from _down_days(session, now, zone, families)
    unweighed = unweighed_packs(session)
    for pack_id, days in _recheck_days(session, now, zone, unweighed):
        seen.add(pack_id)
        yield from (day for day in days if day.day >= today)
    orders = _order_days(session, now, families)
    yield from (day for pack_id, day in orders if pack_id in seen and day.day >= today)


def _down_days(session: Session, now: datetime, zone: ZoneInfo, families: Mapping[str, PackFamily]) -> Iterator[Day]:
    """Yield under today each vehicle that is down, in the order of the queue, and those that nobody heard of since.

    One for which a pack is on its way has the day on which that is expected instead.
    """
    today, down = now.astimezone(zone).date(), vehicles_down(session, now)
    coming = orders_for(session, down, now)
    for one in down:
        if one.pack_id in coming:
            expected = [*_expected(one, coming[one.pack_id], now, families)]
            yield from (replace(day, day=max(day.day, today)) for day in expected)
            if expected:
                continue
        what = f"{one.name} is down: order a pack for it"
        yield Day("order", one.pack_id, today, what, f"{one.why} {driving()[0]}", grave=True)
    for one in lost_from_sight(session, now):
        said = f"Its fault came back on {_iso(one.since, zone)}, and nothing was entered since. {driving()[0]}"
        yield Day("recheck", one.pack_id, today, f"Enter what became of {one.name}", said)


def _recheck_days(
    session: Session, now: datetime, zone: ZoneInfo, unweighed: Mapping[str, bool]
) -> Iterator[tuple[str, list[Day]]]:
    """Yield each pack that is out on a recorded top-up, with the days that follow from its forecast.

    One of which something is recorded that its newest forecast does not know has no day of that forecast: a new one is
    wanted. If that forecast warned, it goes on warning, though it was dropped. One of which no forecast was kept comes
    last: it has no day either, and today says so.
    """
    warned = {pack_id for pack_id, before in unweighed.items() if before}
    of = IssuedForecast
    columns = (of.id, of.pack_id, of.origin, of.good_for_days, of.issued_at, of.model_id, of.recheck_at)
    query = (
        select(*columns, Score.good_until, Score.seen_at, Score.grave, Score.unread, Score.vehicle_id)
        .join(Score, Score.forecast_id == of.id)
        .where(still_out())
        .order_by(of.pack_id)
    )
    for forecast in session.execute(query.execution_options(yield_per=READ_AT_ONCE)):
        # Rounded down: a promise must not grow on its way into a calendar.
        last = forecast.good_until
        good = math.floor(forecast.good_for_days) if last > forecast.origin else 0
        since = forecast.origin.astimezone(zone).date().isoformat()
        pack, name = forecast.pack_id, forecast.vehicle_id or forecast.pack_id
        seen_at, today = forecast.seen_at or forecast.origin, now.astimezone(zone).date()
        if forecast.grave or pack in warned:
            warned.discard(pack)
            yield pack, [_not_to_drive_day(pack, name, f"{NOT_WEIGHED} {GRAVE}" if pack in unweighed else GRAVE, today)]
            continue
        if pack in unweighed:
            yield pack, [_not_weighed_day(pack, name, today)]
            continue
        if forecast.unread:
            yield pack, [_not_to_drive_day(pack, name, read_first_said(), today)]
            continue
        if (good and last <= now) or (good == 0 and unseen_for_a_day(seen_at, now)):
            yield pack, [_unseen_day(pack, name, seen_at, now, zone)]
            continue
        if good == 0:
            yield pack, [_not_to_drive_day(pack, name, "Not even one day can be promised of it.", today)]
            continue
        said = (
            f"{' '.join(dates_said(last, forecast.recheck_at, zone, _to_the_minute, _iso))} Nine in ten such "
            f"packs hold at least {counted_days(good)} from {since}. "
            f"Forecast {forecast.id}, made on {forecast.issued_at.astimezone(zone).date().isoformat()}, "
            f"model {forecast.model_id}. {driving()[0]}"
        )
        days = []
        if (reading := reading_day(last, forecast.recheck_at, zone)) is not None:
            day = reading.astimezone(zone).date()
            days.append(Day("reading", pack, day, f"Read {name} again", said))
        end = last.astimezone(zone)
        days.append(Day("recheck", pack, end.date(), f"Last promised day of {name}, until {end:%H:%M}", said))
        yield pack, days
    today = now.astimezone(zone).date()
    names = vehicle_names(session, sorted(warned))
    for pack in sorted(warned):
        yield pack, [_not_to_drive_day(pack, names.get(pack, pack), f"{NOT_WEIGHED} {GRAVE}", today)]
    for case in without_forecast(session, now, old_too=False, besides=warned)[0]:
        what = f"Keep a forecast of {case.name}" if case.seen_at is None else f"Read {case.name}"
        yield case.pack_id, [Day("recheck", case.pack_id, today, what, f"{case.why} {driving()[0]}")]


def _unseen_day(pack: str, name: str, seen_at: datetime, now: datetime, zone: ZoneInfo) -> Day:
    """Say today, instead of a day, that nothing is promised of a pack any more before it is read."""
    said = (
        f"Nothing has been entered since {_iso(seen_at, zone)}, and nothing that was promised then is left. Read all "
        f"blocks at rest before it is driven on. {driving()[0]}"
    )
    today = now.astimezone(zone).date()
    return Day("recheck", pack, today, f"Read {name}: nothing entered since {_iso(seen_at, zone)}", said)


def _not_weighed_day(pack: str, name: str, today: date) -> Day:
    """Say today, instead of a day that what was entered since may have moved, that a new forecast is wanted."""
    said = f"{NOT_WEIGHED} Keep a new forecast on the unit's page. {driving()[0]}"
    return Day("recheck", pack, today, f"Forecast {name} again", said)


def _not_to_drive_day(pack: str, name: str, why: str, today: date) -> Day:
    """Say today that a pack is not to be driven, instead of a day that nobody may count on."""
    return Day("recheck", pack, today, f"Do not drive {name}", f"{why} {driving()[0]}", grave=True)


def _stop_day(one: UnderStop, today: date, chemistry: Chemistry | None) -> Day:
    said = " ".join([stop.text for stop in one.stops] + list(dict.fromkeys(stop.instead for stop in one.stops)))
    return Day("stop", one.pack_id, today, f"STOP: {one.name}", f"{said} {at_the_pack(chemistry)[0]}", grave=True)


def _to_the_minute(moment: datetime, zone: ZoneInfo) -> str:
    return to_the_minute(moment.astimezone(zone))


def _iso(moment: datetime, zone: ZoneInfo) -> str:
    return moment.astimezone(zone).date().isoformat()


def _order_days(session: Session, now: datetime, families: Mapping[str, PackFamily]) -> Iterator[tuple[str, Day]]:
    """Yield when packs are expected, and the last days to order those of which the newest forecast is gone by."""
    cases = open_cases(session, now)
    ordered = on_order(session, cases.topped_at, now)
    waiting: dict[str, list[int]] = {}
    for row, case in enumerate(cases.cases):
        if case.pack_id in ordered:
            yield from ((case.pack_id, day) for day in _expected(case, ordered[case.pack_id], now, families))
        elif not case.held_back:
            waiting.setdefault(case.family, []).append(row)
    for family, rows in sorted(waiting.items()):
        offers = standing_offers(session, family, now)
        if offers:
            known = [(offer, offer_lead_time(session, offer, now)) for offer in offers]
            for first in range(0, len(rows), READ_AT_ONCE):
                yield from _to_order(cases.take(rows[first : first + READ_AT_ONCE]), known, now)


def _to_order(cases: OpenCases, known: list[tuple[Offer, LeadTime]], now: datetime) -> Iterator[tuple[str, Day]]:
    latest = latest_order_days(cases.survival, [lead for _, lead in known], USUAL_RISK, cases.told)
    best, last_days = latest.argmax(axis=1).tolist(), latest.max(axis=1).tolist()
    for case, place, last in zip(cases.cases, best, last_days, strict=True):
        offer, today = known[place][0], now.date()
        said = (
            f"Ordered from {offer.supplier_id} (offer {offer.id}) by this day, the chance that the fault is back "
            f"before the pack comes is at most {level_percent(USUAL_RISK)}."
            if last >= 0
            else f"{last_day_said(None, today)} The risk taken here is {level_percent(USUAL_RISK)}."
        )
        day = today + timedelta(days=max(int(last), 0))
        what = f"Last day to order a pack for {case.name}" if last >= 0 else f"Order a pack for {case.name} now"
        yield case.pack_id, Day("order", case.pack_id, day, what, f"{said} {rests_on(case)}")


def _expected(
    case: OpenCase | Down, order: OnOrder, now: datetime, families: Mapping[str, PackFamily]
) -> Iterator[Day]:
    middle = None if order.lead_time is None else order.lead_time.quantile(0.5)
    if middle is not None:
        day = now.date() + timedelta(days=middle)
        what = f"Pack for {case.name} expected from {order.supplier}"
        if order.arrived_at is not None:
            what = f"Fit the pack that came for {case.name}"
        first = at_the_pack(shared_chemistry(families, [case.family]))[0]
        said = f"{order.said} {first}" if order.arrived_at else order.said
        yield Day("order", case.pack_id, day, what, said)


def alarm_at(day: date, zone: ZoneInfo) -> datetime:
    """Return when the alarm of an event of a whole day goes off."""
    return datetime.combine(day, time.min, zone) - BEFORE_THE_DAY


def feed(days: Iterable[Day], now: datetime, zone: ZoneInfo) -> Iterator[str]:
    """Yield a calendar object in parts: its head, each day as an event of a whole day, and its end."""
    yield _lines("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Tideover//Recheck and order days//EN", "METHOD:PUBLISH")
    for day in days:
        yield _lines(
            "BEGIN:VEVENT",
            f"UID:{day.uid}",
            f"DTSTAMP:{now:%Y%m%dT%H%M%SZ}",
            f"DTSTART;VALUE=DATE:{day.day:%Y%m%d}",
            f"DTEND;VALUE=DATE:{day.day + timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_text(day.summary)}",
            f"DESCRIPTION:{_text(day.description)}",
            "TRANSP:TRANSPARENT",
            *(_alarm(day) if alarm_at(day.day, zone) > now else ()),
            "END:VEVENT",
        )
    yield _lines("END:VCALENDAR")


def _alarm(day: Day) -> tuple[str, ...]:
    said = _text(day.summary)
    return "BEGIN:VALARM", "ACTION:DISPLAY", f"TRIGGER:{ALARM}", f"DESCRIPTION:{said}", "END:VALARM"


def _lines(*lines: str) -> str:
    return "".join(_folded(line) + "\r\n" for line in lines)


def _text(value: str) -> str:
    """Escape a value of type TEXT (RFC 5545, 3.3.11)."""
    for sign in ("\\", ";", ","):
        value = value.replace(sign, f"\\{sign}")
    return value.replace("\n", "\\n")


def _folded(line: str) -> str:
    """Break a long line between characters, never within one (RFC 5545, 3.1)."""
    parts, size = [""], 0
    for character in line:
        octets = len(character.encode())
        if size + octets > LINE_OCTETS:
            parts.append("")
            size = 1
        parts[-1] += character
        size += octets
    return "\r\n ".join(parts)
