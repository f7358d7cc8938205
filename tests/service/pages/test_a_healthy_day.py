"""A car that may go, through its whole day: back, charged, let go within the promise, and given another pack."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import icalendar
import pytest
from playwright.sync_api import expect

from tests.service.mild_pack import mild_pack

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
FOR_PROGRAMS = re.compile(r"\d{4}-\d\d-\d\d")
"""How programs write a day (ISO 8601); people read "Sat 14 Mar 2026"."""


@pytest.fixture
def cab(site, record) -> str:
    """A pack that may go for some days; its vehicle has its number."""
    name = mild_pack(record, NOW)
    record("/v1/vehicles", {"id": name})
    since = (NOW - timedelta(days=200)).isoformat()
    record("/v1/assignments", {"pack_id": name, "vehicle_id": name, "since": since})
    return name


def test_a_minute_after_the_reading_it_may_go_for_as_long_as_such_packs_hold(site, cab, phone_page):
    """It "may go for less than 5 days", and "nine in ten such packs hold at least 5 days"."""
    site.app.state.clock = lambda: NOW + timedelta(minutes=1)
    phone_page.goto(f"{site.url}/bench/units/{cab}")
    answer = phone_page.locator(".answer").inner_text()
    held = re.search(r"such packs hold at least (\d+ days?)", answer)
    assert held
    assert f"By these figures it may go for {held[1]} at most" in answer


def test_sheet_and_calendar_write_every_moment_as_people_do(site, cab, phone_page, sound):
    """The sheet's own forecast counted "from 2026-11-30 11:30+00:00", and the calendar said so as well."""
    phone_page.goto(f"{site.url}/bench/units/{cab}")
    with phone_page.expect_navigation():
        phone_page.get_by_role("button", name="Keep this forecast and make the release sheet").click()
    sheet = phone_page.locator("article.sheet")
    expect(sheet).to_contain_text("The top-up has already held")
    assert not FOR_PROGRAMS.search(sheet.inner_text())
    events = icalendar.Calendar.from_ical(httpx.get(f"{site.url}/v1/calendar.ics").content).walk("VEVENT")
    assert any("Bring the car back by" in str(event["DESCRIPTION"]) for event in events)
    assert not any(FOR_PROGRAMS.search(f"{event['SUMMARY']} {event['DESCRIPTION']}") for event in events)
    sound(phone_page, "healthy-sheet")


def test_another_pack_that_went_in_is_told_with_its_day(site, cab, phone_page):
    """ "came out at 2026-12-09 12:15+00:00"."""
    phone_page.goto(f"{site.url}/bench/units/{cab}/other-pack")
    phone_page.get_by_label("Number of the pack that goes in").fill("P-771")
    with phone_page.expect_navigation():
        phone_page.get_by_role("button", name="It goes in").click()
    message = phone_page.get_by_role("status").inner_text()
    assert f"came out of {cab} at Sat 14 Mar 2026, 09:00 UTC" in message
    assert not FOR_PROGRAMS.search(message)


def test_of_a_car_that_came_back_the_charge_can_be_planned(site, cab, record, phone_page):
    """Its page had no way to the plan of the next charge before that charge was entered."""
    back = (NOW - timedelta(minutes=4)).isoformat()
    record("/v1/outcomes", {"pack_id": cab, "time": back, "kind": "returned"})
    phone_page.goto(f"{site.url}/bench/units/{cab}")
    onward = phone_page.locator(".onward a")
    expect(onward).to_have_count(1)
    with phone_page.expect_navigation():
        onward.click()
    expect(phone_page.get_by_role("heading", level=1)).to_have_text("How to top it up")
    assert phone_page.url.endswith(f"{cab}/topup-plan")


SLIPS = {
    "a volt too many": (
        ("#block_v-6", "131.0"),
        "131 V is impossible for a block of 10 cells, which reads -5 to 18.75 V. Give the volts of each block",
    ),
    "a turned sign": (("#current_a", "-40"), "40 A flow into the pack, but the state is under load (discharge)."),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_told_in_words_of_the_trade(site, cab, phone_page, slip):
    """ "nimh: -5 to 18.75 V", "or null if the channel failed", "current_a is -40 A in state discharge"."""
    (field, typed), said = SLIPS[slip]
    phone_page.goto(f"{site.url}/bench/units/{cab}/reading/new")
    phone_page.get_by_label("State", exact=True).select_option("discharge")
    for block in range(14):
        phone_page.locator(f"#block_v-{block}").fill("12.2")
    phone_page.locator("#current_a").fill("40")
    phone_page.locator(field).fill(typed)
    phone_page.get_by_role("button", name="Save", exact=True).click()
    faults = phone_page.locator("#faults")
    expect(faults).to_contain_text(said)
    assert not re.search(r"nimh|null|channel|current_a|block_v", faults.inner_text(), re.IGNORECASE)
