"""Tables as files over REST, and the calendar, read by an independent library."""

from __future__ import annotations

import csv
import io
import math
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pyarrow.parquet as pq
import pytest
from sqlalchemy import event, select

from service.core.dates import day_in_words
from service.decisions.calendar.feed import Day, days_due, feed
from service.decisions.calendar.sending import pieces_of
from service.forecasting.issued.issuing import whole_answer
from service.forecasting.recheck.days import day_reached
from service.pages.bench.sheet_content import Release, sheet_of
from service.store.schema import IssuedForecast, Score
from tests.service.invented_fleet import fill
from tests.service.store.backends import ON_SQLITE

ISSUE = "/v1/packs/MB-VAN-07/forecasts"
TODAY = {"at": "2026-03-14T08:00:00+00:00"}
FRESH = {
    "pack_id": "MB-VAN-07",
    "time": "2026-03-14T08:00:00Z",
    "state": "rest",
    "block_v": [12.9] * 4 + [13.2] + [12.9] * 9,
}


def test_a_table_comes_as_csv_or_parquet_with_the_same_content(filled):
    text = filled.get("/v1/exports/readings")
    assert text.headers["Content-Type"].startswith("text/csv")
    assert 'filename="readings.csv"' in text.headers["Content-Disposition"]
    (row,) = csv.DictReader(io.StringIO(text.text))
    binary = filled.get("/v1/exports/readings?format=parquet")
    (same,) = pq.read_table(io.BytesIO(binary.content)).to_pylist()
    assert row.keys() == same.keys()
    assert [float(row[f"block_{b}_v"]) for b in range(1, 15)] == [same[f"block_{b}_v"] for b in range(1, 15)]
    assert datetime.fromisoformat(row["time"]) == same["time"]


@pytest.mark.parametrize("path", ["/v1/exports/api-keys", "/v1/exports/audit", "/v1/exports/readings?format=xlsx"])
def test_other_tables_and_formats_are_refused(filled, problem_in, path):
    problem_in(filled.get(path), 422)


def test_recheck_and_order_days_are_in_the_calendar_until_the_topup_has_an_outcome(filled):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    filled.post("/v1/readings", json=FRESH)
    filled.post(ISSUE, json=TODAY)
    issued = filled.post(ISSUE, json=TODAY).json()
    response = filled.get("/v1/calendar.ics")
    assert response.headers["Content-Type"].startswith("text/calendar")
    events = {str(e["SUMMARY"]): e for e in icalendar.Calendar.from_ical(response.content).walk("VEVENT")}
    day = (datetime.fromisoformat(issued["origin"]) + timedelta(days=math.floor(issued["good_for_days"]))).date()
    recheck = next(e for said, e in events.items() if said.startswith("Last promised day of MB-VAN-07, until "))
    assert recheck.decoded("DTSTART") == day
    assert f"at least {math.floor(issued['good_for_days'])} days" in str(recheck["DESCRIPTION"])
    weighed = filled.post("/v1/packs/MB-VAN-07/orders", json={}).json()["offers"][0]
    too_late = weighed["latest_on"] is None
    order = events["Order a pack for MB-VAN-07 now" if too_late else "Last day to order a pack for MB-VAN-07"]
    assert order.decoded("DTSTART") == date.fromisoformat(weighed["latest_on"] or "2026-03-14")
    assert ("Too late already: order now." in str(order["DESCRIPTION"])) == too_late
    assert weighed["last_day"].startswith("Too late already: order now.") == too_late
    assert len(events) == 2 + ("Read MB-VAN-07 again" in events)
    order = {"supplier_id": "north-quay", "family": "gravel-14", "pack_id": "MB-VAN-07"}
    filled.post("/v1/deliveries", json={**order, "ordered_at": "2026-03-14T08:00:00Z"})
    again = icalendar.Calendar.from_ical(filled.get("/v1/calendar.ics").content).walk("VEVENT")
    assert "Pack for MB-VAN-07 expected from north-quay" in [str(event["SUMMARY"]) for event in again]
    filled.post("/v1/outcomes", json={"pack_id": "MB-VAN-07", "time": "2026-03-13T07:20:00Z", "kind": "replaced"})
    assert "VEVENT" not in filled.get("/v1/calendar.ics").text


@ON_SQLITE
@pytest.mark.parametrize("zone", ["UTC", "Pacific/Auckland", "Pacific/Honolulu"])
@pytest.mark.parametrize("hour", [0, 11, 23])
@pytest.mark.parametrize("days", [6.0, 6.95])
def test_the_calendar_names_the_day_that_stands_on_the_release_sheet(filled, store, clock, zone, hour, days):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    number = filled.post(ISSUE, json={}).json()["id"]
    local = ZoneInfo(zone)
    with store.writing() as session:
        row = session.get_one(IssuedForecast, number)
        row.origin = datetime(2026, 3, 13, hour, 30, tzinfo=ZoneInfo("UTC"))
        good = [{**one, "days": days} if one["confidence"] == 0.9 else one for one in row.answer["good_for"]]
        row.good_for_days, row.answer = days, {**row.answer, "good_for": good, "flags": []}
        score = session.scalars(select(Score).where(Score.forecast_id == number)).one()
        score.origin, score.good_until = row.origin, day_reached(row.origin, days)
        score.unread = False
        session.flush()
        (due,) = [day.day for day in days_due(session, clock(), local, {}) if day.uid.startswith("recheck-")]
        sheet = sheet_of(Release(row, None, None, True, "nimh", whole_answer(row, {}), "", ()), None, clock(), local)
        assert due == row.origin.astimezone(local).date() + timedelta(days=6)
        assert day_in_words(datetime(due.year, due.month, due.day, 12, tzinfo=local), local) in sheet.recheck
        assert day_in_words(day_reached(row.origin, 6), local) in sheet.owner[1]


def test_the_calendar_asks_for_a_forecast_of_a_pack_that_has_none(filled):
    """What the order queue leaves out for want of a forecast stands under today."""
    filled.delete("/v1/outcomes/1?reason=a+slip")
    filled.post("/v1/readings", json=FRESH)
    queue = filled.post("/v1/orders/queue", json={"costs": {"currency": "EUR", "stranding": 0}}).json()
    ((event),) = icalendar.Calendar.from_ical(filled.get("/v1/calendar.ics").content).walk("VEVENT")
    assert event["SUMMARY"] == "Keep a forecast of MB-VAN-07"
    assert "but no forecast of it is kept." in queue["left_out"][0]["reason"]
    assert event["DESCRIPTION"].startswith("Topped up on Mon 2 Mar 2026, but no forecast of it is kept.")


def test_the_calendar_goes_by_the_house_s_own_time(make_api, filled):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    filled.post("/v1/readings", json=FRESH)
    filled.post(ISSUE, json=TODAY)
    issued = filled.post(ISSUE, json=TODAY).json()
    reached = day_reached(datetime.fromisoformat(issued["origin"]), issued["good_for_days"])
    for zone in ("Pacific/Kiritimati", "Pacific/Pago_Pago"):
        text = make_api(time_zone=zone).get("/v1/calendar.ics").content
        events = icalendar.Calendar.from_ical(text).walk("VEVENT")
        (event,) = [e for e in events if "Last promised" in str(e["SUMMARY"])]
        assert event.decoded("DTSTART") == reached.astimezone(ZoneInfo(zone)).date()


def test_lines_are_folded_and_signs_escaped():
    """RFC 5545, 3.1: at most 75 octets a line, ended by CRLF; 3.3.11: backslash, semicolon, comma and line break."""
    words = "Ä;,\\\n" * 40
    now = datetime(2026, 3, 1, tzinfo=UTC)
    text = "".join(feed([Day("stop", "a", date(2026, 3, 4), "x", words)], now, ZoneInfo("UTC")))
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    assert "\n" not in text.replace("\r\n", "")
    (event,) = icalendar.Calendar.from_ical(text).walk("VEVENT")
    assert str(event["DESCRIPTION"]) == words


@pytest.mark.parametrize(
    ("hour", "day", "rings"), [(8, 5, False), (8, 6, True), (10, 6, False), (23, 6, False), (23, 7, True)]
)
def test_no_alarm_lies_in_the_past(hour, day, rings):
    """An entry of today rang at nine yesterday: to a calendar that is a reminder long overdue, or none at all."""
    local = ZoneInfo("Pacific/Auckland")
    now = datetime(2026, 3, 5, hour, 30, tzinfo=local)
    text = "".join(feed([Day("stop", "a", date(2026, 3, day), "STOP: a", "hot")], now, local))
    (event,) = icalendar.Calendar.from_ical(text).walk("VEVENT")
    assert bool(event.walk("VALARM")) == rings


def test_the_calendar_of_many_packs_begins_before_it_is_all_found(store, clock):
    """Reads of the store while the first piece is found do not grow with the packs."""
    fill(store, 700, clock())
    asked: list[str] = []

    def note(_connection, _cursor, statement, _parameters, _context, _many):
        asked.append(statement)

    event.listen(store.engine, "before_cursor_execute", note)
    try:
        pieces = pieces_of(store, clock(), ZoneInfo("UTC"), {})
        first, questions = next(pieces), len(asked)
        rest = "".join(pieces)
    finally:
        event.remove(store.engine, "before_cursor_execute", note)
    # Of which SQLite takes two to begin to read; what facts stop, what is down, lost and not weighed, one each.
    assert questions <= 7
    assert first.startswith("BEGIN:VCALENDAR")
    assert 0 < first.count("BEGIN:VEVENT") < (first + rest).count("BEGIN:VEVENT")
    assert rest.endswith("END:VCALENDAR\r\n")
    assert len(asked) < 40
