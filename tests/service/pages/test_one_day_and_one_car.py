"""What was seen to go wrong: answers below all fields, cautions twice, one car's draft in another's form, two days."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import icalendar
import pytest
from playwright.sync_api import expect

from service.store.schema import Score
from tests.service.mild_pack import mild_pack

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
FAMILY = "gravel-14"
PACK_CAUTION = "The inside of the pack stays live whatever is disconnected."
PROMISE = re.compile(r"such packs (hold at least|hold even one day)")


def token_of(text: str) -> str:
    return re.search(r'name="form_token" value="([^"]+)"', text)[1]


def begin(page, site, unit: str = "") -> None:
    page.goto(f"{site.url}/bench/add{f'?unit={unit}' if unit else ''}")
    page.get_by_label("Kind of pack").select_option(FAMILY)


def test_the_answer_stays_in_sight_on_a_telephone(site, phone_page, sound):
    page = phone_page
    begin(page, site, "MB-CAB-09")
    page.get_by_label("Blocks charged").fill("5")
    page.get_by_label("How long ago the charge ended").fill("1")
    strip = page.locator("#strip")
    expect(strip).to_contain_text("Do not let it go yet")
    expect(strip).to_be_in_viewport()
    # The field that is being filled in is not under it.
    field, over = page.get_by_label("How long ago the charge ended").bounding_box(), strip.bounding_box()
    assert field["y"] + field["height"] <= over["y"]
    sound(page, "new-car-strip")
    strip.click()
    expect(page.locator("#answer .answer .first")).to_be_in_viewport()
    page.get_by_label("Voltage at the end").fill("15.9")
    expect(strip).to_contain_text("STOP")


def test_a_stop_says_each_caution_once(site, record, phone_page):
    record("/v1/packs", {"id": "MB-CAB-03", "family": FAMILY})
    charge = {"pack_id": "MB-CAB-03", "time": (NOW - timedelta(hours=3)).isoformat(), "blocks": [5], "end_v": 15.9}
    record("/v1/topups", charge)
    page = phone_page
    page.goto(f"{site.url}/bench/units/MB-CAB-03")
    expect(page.locator("#stop")).to_be_visible()
    assert page.locator("main").inner_text().count(PACK_CAUTION) == 1
    begin(page, site, "MB-CAB-09")
    page.get_by_label("Blocks charged").fill("5")
    page.get_by_label("Voltage at the end").fill("15.9")
    page.get_by_label("How long ago the charge ended").fill("1")
    expect(page.locator("#answer #stop")).to_be_visible()
    expect(page.locator("aside.caution").filter(has_text=PACK_CAUTION)).to_have_count(1)


def test_one_car_s_draft_does_not_fill_another_s_form(site, open_tab):
    page = open_tab("phone")
    begin(page, site, "MB-CAB-09")
    page.get_by_label("Blocks charged").fill("5")
    page.goto(f"{site.url}/bench/add?unit=MB-CAB-10")
    expect(page.get_by_label("Number of the vehicle")).to_have_value("MB-CAB-10")
    expect(page.get_by_label("Blocks charged")).to_have_value("")
    kept = page.get_by_role("link", name="MB-CAB-09")
    expect(kept).to_be_visible()
    page.get_by_label("Blocks charged").fill("7")
    page.goto(f"{site.url}/bench")
    expect(page.locator(".unsaved a")).to_have_count(2)
    page.get_by_role("link", name="MB-CAB-09: A new car").click()
    expect(page.get_by_label("Number of the vehicle")).to_have_value("MB-CAB-09")
    expect(page.get_by_label("Blocks charged")).to_have_value("5")
    # A mistake, mended: the address still names the car, so the draft goes once it is stored.
    page.get_by_label("Number of the vehicle").fill("MB CAB 09!")
    page.get_by_label("How long ago the charge ended").fill("1")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#faults")).to_be_visible()
    page.get_by_label("Number of the vehicle").fill("MB-CAB-09")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("h1")).to_have_text("MB-CAB-09")
    page.goto(f"{site.url}/bench")
    expect(page.locator(".unsaved a")).to_have_count(1)
    expect(page.get_by_role("link", name="MB-CAB-10: A new car")).to_be_visible()


def opens(page) -> str:
    return page.get_by_role("img", name=re.compile("Code that opens")).first.get_attribute("aria-label")


def test_a_label_names_the_address_that_telephones_reach(make_site, van, page):
    site = make_site()
    page.goto(f"{site.url}/bench/units/{van}/label")
    expect(page.locator("#doubt")).to_contain_text("no other device can open it")
    site = make_site(address="https://tideover.example:8443")
    page.goto(f"{site.url}/bench/units/{van}/label")
    expect(page.locator("#doubt")).to_have_count(0)
    assert opens(page) == f"Code that opens https://tideover.example:8443/bench/units/{van}"


def test_what_a_proxy_says_of_itself_is_not_printed(make_site, van):
    """Anybody can write those headers: a label that names another host would send telephones there."""
    site = make_site()
    key = httpx.post(f"{site.url}/v1/keys", json={"title": "front office", "role": "admin"}).json()["key"]
    with httpx.Client(base_url=site.url, follow_redirects=True) as client:
        page = client.get("/sign-in").text
        client.post("/sign-in", data={"form_token": token_of(page), "key": key, "next": "/bench"}).raise_for_status()
        label = client.get(f"/bench/units/{van}/label", headers={"X-Forwarded-Host": "elsewhere.example"}).text
    assert "elsewhere.example" not in label
    assert "A proxy passes these pages on" in label


@pytest.mark.parametrize("days", [0, 1])
def test_sheet_slip_calendar_and_page_name_the_same_days(site, read_van, phone_page, days):
    """The day is kept with the forecast: a page opened a day later names the one on the sheet that was given out."""
    with httpx.Client(base_url=site.url, follow_redirects=True, timeout=60) as client:
        # An easy life, so that the promise leaves room for a reading before it ends.
        plan = {"pack_id": read_van, "time": NOW.isoformat(), "km_per_day": 3.0, "trips_per_day": 1.0, "ambient_c": 5.0}
        client.post("/v1/usage", json=plan).raise_for_status()
        page = client.get(f"/bench/units/{read_van}").text
        at = re.search(r'name="at" value="([^"]+)"', page)[1]
        sent = {"form_token": token_of(page), "at": at, "replacement": "", "once": "a"}
        sheet = client.post(f"/bench/units/{read_van}/forecasts", data=sent).raise_for_status()
        row = client.get("/v1/issued-forecasts").json()["items"][0]
        site.app.state.clock = lambda: NOW + timedelta(days=days)
        calendar = icalendar.Calendar.from_ical(client.get("/v1/calendar.ics").content)
    last = datetime.fromisoformat(row["origin"]) + timedelta(days=int(row["good_for_days"]))
    text = " ".join(re.sub(r"<[^>]*>", " ", sheet.text).split())
    said = re.findall(
        r"Bring the car back by (.*?) at the latest[^.]*\.(?: The best day to read it again is ([^.]*)\.)?", text
    )
    assert len(said) == 2
    assert ", 1 trip a day, " in text
    assert said[0] == said[1], "slip and sheet"
    assert said[0][0] == f"{last:%a} {last.day} {last:%b} {last.year}, {last:%H:%M} UTC"
    events = {str(event["SUMMARY"]): event.decoded("DTSTART") for event in calendar.walk("VEVENT")}
    assert events.get(f"Last promised day of {read_van}, until {last:%H:%M}") == last.date()
    reading = events.get(f"Read {read_van} again")
    assert (reading is not None) == bool(said[0][1])
    if reading is not None:
        assert said[0][1] == f"{reading:%a} {reading.day} {reading:%b} {reading.year}"
    phone_page.goto(f"{site.url}/bench/units/{read_van}/recheck")
    expect(phone_page.locator("#given-out")).to_contain_text(f"Bring the car back by {said[0][0]} at the latest")
    if said[0][1]:
        expect(phone_page.locator("#given-out")).to_contain_text(f"The best day to read it again is {said[0][1]}.")


def test_the_unit_s_page_names_the_day_that_was_given_out(site, record, phone_page, sound):
    """Read on two days later from the hour that it was, the same promise fell on the day after the slip's."""
    name = mild_pack(record, NOW)
    phone_page.goto(f"{site.url}/bench/units/{name}")
    expect(phone_page.locator("#given-out")).to_have_count(0)
    with phone_page.expect_navigation():
        phone_page.get_by_role("button", name="Keep this forecast and make the release sheet").click()
    row = httpx.get(f"{site.url}/v1/issued-forecasts").json()["items"][0]
    last = datetime.fromisoformat(row["origin"]) + timedelta(days=int(row["good_for_days"]))
    back = f"Bring the car back by {last:%a} {last.day} {last:%b} {last.year}, {last:%H:%M} UTC at the latest"
    expect(phone_page.locator("article.sheet")).to_contain_text(back)
    for hours in (25, 42):
        site.app.state.clock = lambda hours=hours: NOW + timedelta(hours=hours)
        phone_page.goto(f"{site.url}/bench/units/{name}")
        expect(phone_page.locator("#given-out")).to_contain_text(back)
        expect(phone_page.locator("#given-out")).to_contain_text("That was told on Sat 14 Mar 2026")
    sound(phone_page, "unit-given-out")


def test_a_forecast_kept_from_a_later_moment_names_the_same_hour_everywhere(site, record, phone_page):
    """The page counted from the newest reading, the list and the slip from when the forecast was kept: two hours."""
    name = mild_pack(record, NOW)
    row = record(f"/v1/packs/{name}/forecasts", {"at": NOW.isoformat()}).json()
    last = NOW + timedelta(days=int(row["good_for_days"]))
    assert last - NOW >= timedelta(days=1)
    said = f"{last:%a} {last.day} {last:%b} {last.year}, {last:%H:%M} UTC"
    phone_page.goto(f"{site.url}/bench/units/{name}/recheck")
    expect(phone_page.locator("#given-out")).to_contain_text(f"Bring the car back by {said} at the latest")
    expect(phone_page.locator("#given-out")).not_to_contain_text("newer")
    for hours in (0, 20):
        site.app.state.clock = lambda hours=hours: NOW + timedelta(hours=hours)
        phone_page.goto(f"{site.url}/bench/units/{name}")
        main = phone_page.locator("main").inner_text()
        assert {*re.findall(r"(?:by|until|is until) (\w+ \d+ \w+ \d{4}, \d\d:\d\d UTC)", main)} == {said}
        assert "Nothing has been entered" not in main
        phone_page.goto(f"{site.url}/bench")
        expect(phone_page.locator("main")).to_contain_text(
            f"good until {said.replace(' 2026', '').removesuffix(' UTC')}"
        )
    phone_page.goto(f"{site.url}/bench/units/{name}")
    with phone_page.expect_navigation():
        phone_page.get_by_role("button", name="Keep this forecast and make the release sheet").click()
    expect(phone_page.locator("article.sheet")).to_contain_text(f"Bring the car back by {said} at the latest")
    # One of the past, to see what would have been said then, changes neither list nor slip.
    record(f"/v1/packs/{name}/forecasts", {"at": (NOW - timedelta(hours=12)).isoformat()})
    site.app.state.clock = lambda: NOW + timedelta(hours=30)
    phone_page.goto(f"{site.url}/bench/units/{name}")
    expect(phone_page.locator("#given-out")).to_contain_text(f"Bring the car back by {said} at the latest")


def test_the_form_shows_the_risk_that_was_asked_for(site, read_van, phone_page):
    """It showed the first of its choices, under an answer to another."""
    for asked in ("20", "10", "15"):
        phone_page.goto(f"{site.url}/bench/units/{read_van}/recheck?risk={asked}")
        expect(phone_page.get_by_label("Risk not to be passed")).to_have_value(asked)
        expect(phone_page.locator(".answer")).to_contain_text(f"{asked}%")
    phone_page.goto(f"{site.url}/bench/units/{read_van}/recheck?risk=0.2")
    expect(phone_page.locator("#faults")).to_be_visible()


def test_the_ladder_says_its_values_to_pointer_and_keyboard(site, read_van, page, sound):
    page.goto(f"{site.url}/bench/units/{read_van}/recheck")
    plan = httpx.post(f"{site.url}/v1/packs/{read_van}/recheck", json={"at": NOW.isoformat()}, timeout=60).json()
    spots = page.locator("svg.ladder .spot")
    expect(spots).to_have_count(len(plan["table"]))
    expect(spots.first.locator(".value")).to_be_hidden()
    spots.first.focus()
    expect(spots.first.locator(".value")).to_be_visible()
    page.keyboard.press("End")
    expect(spots.last).to_be_focused()
    last = plan["table"][-1]
    assert last["stop"], "the reading that stops"
    words = "such a reading forbids it" if last["return_14"] is None else "back in two weeks"
    expect(spots.last.locator(".value")).to_contain_text(words)
    sound(page, "recheck-ladder")


def test_a_car_read_today_is_not_said_to_lack_a_reading_since_today(site, record, read_van, phone_page):
    """Not even one day is promised of it; the board said "no reading since" the day that it is."""
    record(f"/v1/packs/{read_van}/forecasts", {"at": NOW.isoformat()})
    with site.store.writing() as session:
        score = session.get_one(Score, read_van)
        score.good_until = score.seen_at = score.origin
    for days, words in ((0, "not even one day can be promised"), (1, "last entry Sat 14 Mar")):
        site.app.state.clock = lambda days=days: NOW + timedelta(days=days, hours=1)
        phone_page.goto(site.url)
        board = phone_page.get_by_role("region", name="To be read again")
        expect(board).to_contain_text(words)
        assert board.inner_text().count("not even one day can be promised") == 1, "said once, above the vehicles"
