"""Recheck and order days of the packs that are out on a top-up, as an iCalendar feed (RFC 5545)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from service.cautions import CAUTIONS
from service.store.schema import IssuedForecast, Offer, Outcome, Pack, TopUp

LINE_OCTETS: Final = 75
"""Longest line, without its end (RFC 5545, 3.1)."""


@dataclass(frozen=True)
class Day:
    """Something to be done on a day."""

    uid: str
    day: date
    summary: str
    description: str


def days_due(session: Session, now: datetime) -> list[Day]:
    """List the recheck days, and the order days where an offer with a lead time is stored.

    The recheck day is the good-for day at 90 % of the newest forecast of a pack whose last top-up has no outcome yet.
    The order day is the last one on which a pack ordered from the quickest supplier, by its own latest day, comes by
    the recheck day.
    """
    newest = select(func.max(IssuedForecast.id)).group_by(IssuedForecast.pack_id).scalar_subquery()
    query = (
        select(IssuedForecast, Pack.family)
        .join(Pack, Pack.id == IssuedForecast.pack_id)
        .where(IssuedForecast.id.in_(newest))
    )
    days = []
    for forecast, family in session.execute(query.order_by(IssuedForecast.pack_id)):
        if not _holding(session, forecast.pack_id):
            continue
        # Rounded down: a promise must not grow on its way into a calendar.
        good = math.floor(forecast.good_for_days)
        recheck = (forecast.origin + timedelta(days=forecast.good_for_days)).date()
        basis = f"Forecast {forecast.id} of {forecast.issued_at.date().isoformat()}, model {forecast.model_id}."
        pack = forecast.pack_id
        days.append(
            Day(
                f"recheck-{pack}@tideover.invalid",
                recheck,
                f"Recheck {pack}",
                f"Nine in ten such packs hold at least {good} days from {forecast.origin.date().isoformat()}. "
                f"{basis} {CAUTIONS[0]}",
            )
        )
        offer = _quickest(session, family, now)
        if offer is not None:
            lead = offer.usual_days if offer.latest_days is None else offer.latest_days
            days.append(
                Day(
                    f"order-{pack}@tideover.invalid",
                    recheck - timedelta(days=lead),
                    f"Order a pack for {pack} at the latest",
                    f"{offer.supplier_id} says it takes up to {lead} days (offer {offer.id}); the recheck day is "
                    f"{recheck.isoformat()}. {basis}",
                )
            )
    return days


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
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines)


def _holding(session: Session, pack_id: str) -> bool:
    topped = session.scalar(select(func.max(TopUp.time)).where(TopUp.pack_id == pack_id))
    ended = session.scalar(select(func.max(Outcome.time)).where(Outcome.pack_id == pack_id, Outcome.kind != "running"))
    return topped is not None and (ended is None or ended < topped)


def _quickest(session: Session, family: str, now: datetime) -> Offer | None:
    lead = func.coalesce(Offer.latest_days, Offer.usual_days)
    standing = or_(Offer.valid_until.is_(None), Offer.valid_until > now)
    return session.scalars(
        select(Offer).where(Offer.family == family, standing).order_by(lead, Offer.id).limit(1)
    ).first()


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
