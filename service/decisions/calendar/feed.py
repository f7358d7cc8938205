"""Recheck and order days of the packs that are out on a top-up, as an iCalendar feed (RFC 5545)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.decisions.ordering import latest_order_days
from service.core.cautions import at_the_pack, driving
from service.decisions.basis.lead_times import OnOrder, offer_lead_time, on_order, standing_offers
from service.decisions.basis.open_cases import OpenCase, open_cases
from service.decisions.basis.sentences import rests_on
from service.decisions.ordering.schemas import USUAL_RISK
from service.forecasting.recheck.days import dates_said, day_reached, reading_day
from service.store.schema import IssuedForecast, Outcome, TopUp

MEDIA_TYPE: Final = "text/calendar"

ALARM: Final = "-PT15H"
"""Of every event: at nine in the morning of the day before (RFC 5545, 3.8.6.3). The hour is our choice."""

LINE_OCTETS: Final = 75
"""Longest line, without its end (RFC 5545, 3.1)."""


@dataclass(frozen=True)
class Day:
    """Something to be done on a day."""

    uid: str
    day: date
    summary: str
    description: str


def days_due(session: Session, now: datetime, zone: ZoneInfo) -> list[Day]:
    """List the recheck days, and the days on which packs are to be ordered or expected.

    The last promised day is the good-for day at 90 % of the newest forecast of a pack whose last top-up has no outcome
    yet: the local day by which the release sheet has the owner bring the car back. Before it comes the day on which a
    reading tells most, where the sheet names one.
    The order day is the last one on which some standing offer still keeps to the usual risk that the fault beats the
    delivery, as in the queue; today, where none does. A pack on order has the day it is expected instead.
    """
    newest = select(func.max(IssuedForecast.id)).group_by(IssuedForecast.pack_id).scalar_subquery()
    query = select(IssuedForecast).where(IssuedForecast.id.in_(newest)).order_by(IssuedForecast.pack_id)
    orders = {day.uid: day for day in _order_days(session, now)}
    days = []
    for forecast in session.scalars(query):
        if not _holding(session, forecast.pack_id):
            continue
        # Rounded down: a promise must not grow on its way into a calendar.
        good = math.floor(forecast.good_for_days)
        last = day_reached(forecast.origin, forecast.good_for_days)
        since = forecast.origin.astimezone(zone).date().isoformat()
        pack = forecast.pack_id
        said = (
            f"{' '.join(dates_said(last, forecast.recheck_at, zone, _iso))} Nine in ten such packs hold at least "
            f"{good} days from {since}. Forecast {forecast.id} of {forecast.issued_at.date().isoformat()}, model "
            f"{forecast.model_id}. {driving()[0]}"
        )
        if (reading := reading_day(last, forecast.recheck_at, zone)) is not None:
            day = reading.astimezone(zone).date()
            days.append(Day(f"reading-{pack}@tideover.invalid", day, f"Read {pack} again", said))
        days.append(
            Day(f"recheck-{pack}@tideover.invalid", last.astimezone(zone).date(), f"Last promised day of {pack}", said)
        )
        days += [orders[uid] for uid in (_order_uid(pack),) if uid in orders]
    # What is past would only fill a calendar; the boards of the pages say what is overdue.
    return [day for day in days if day.day >= now.astimezone(zone).date()]


def _iso(moment: datetime, zone: ZoneInfo) -> str:
    return moment.astimezone(zone).date().isoformat()


def _order_days(session: Session, now: datetime) -> Iterator[Day]:
    cases = open_cases(session, now)
    ordered = on_order(session, cases.topped_at, now)
    lead_times = {}
    for family in sorted({case.family for case in cases.cases}):
        offers = standing_offers(session, family, now)
        lead_times[family] = [(offer, offer_lead_time(session, offer, now)) for offer in offers]
    for row, case in enumerate(cases.cases):
        if case.pack_id in ordered:
            yield from _expected(case, ordered[case.pack_id], now)
            continue
        known = lead_times[case.family]
        if not known:
            continue
        one = cases.take([row])
        latest = latest_order_days(one.survival, [lead for _, lead in known], USUAL_RISK, one.told)[0]
        offer = known[int(latest.argmax())][0]
        last = int(latest.max())
        said = (
            f"Ordered from {offer.supplier_id} (offer {offer.id}) by this day, the fault beats the delivery with at "
            f"most {USUAL_RISK:.0%}."
            if last >= 0
            else f"No offer keeps the chance that the fault beats the delivery to {USUAL_RISK:.0%} any more: order now."
        )
        day = now.date() + timedelta(days=max(last, 0))
        yield Day(
            _order_uid(case.pack_id), day, f"Order a pack for {case.name} at the latest", f"{said} {rests_on(case)}"
        )


def _expected(case: OpenCase, order: OnOrder, now: datetime) -> Iterator[Day]:
    middle = None if order.lead_time is None else order.lead_time.quantile(0.5)
    if middle is not None:
        day = now.date() + timedelta(days=middle)
        what = f"Pack for {case.name} expected from {order.supplier}"
        if order.arrived_at is not None:
            what = f"Fit the pack that came for {case.name}"
        yield Day(
            _order_uid(case.pack_id), day, what, f"{order.said} {at_the_pack()[0]}" if order.arrived_at else order.said
        )


def _order_uid(pack_id: str) -> str:
    return f"order-{pack_id}@tideover.invalid"


def feed(days: list[Day], now: datetime) -> str:
    """Write days as a calendar object, each an event of a whole day."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Tideover//Recheck and order days//EN", "METHOD:PUBLISH"]
    for day in days:
        lines += [
            "BEGIN:VEVENT",
            f"UID:{day.uid}",
            f"DTSTAMP:{now:%Y%m%dT%H%M%SZ}",
            f"DTSTART;VALUE=DATE:{day.day:%Y%m%d}",
            f"DTEND;VALUE=DATE:{day.day + timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_text(day.summary)}",
            f"DESCRIPTION:{_text(day.description)}",
            "TRANSP:TRANSPARENT",
            "BEGIN:VALARM",
            "ACTION:DISPLAY",
            f"TRIGGER:{ALARM}",
            f"DESCRIPTION:{_text(day.summary)}",
            "END:VALARM",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines)


def _holding(session: Session, pack_id: str) -> bool:
    topped = session.scalar(select(func.max(TopUp.time)).where(TopUp.pack_id == pack_id))
    ended = session.scalar(select(func.max(Outcome.time)).where(Outcome.pack_id == pack_id, Outcome.kind != "running"))
    return topped is not None and (ended is None or ended < topped)


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
