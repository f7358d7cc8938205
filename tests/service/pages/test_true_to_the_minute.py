"""What the pages told wrong: plans made today, forecasts of long ago, counts, and words of programs."""

from __future__ import annotations

import contextlib
import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import httpx2 as httpx
import icalendar
import pytest
from playwright.sync_api import Error as PlaywrightError
from playwright.sync_api import expect

from models.base.day_grid import HORIZON_DAYS
from service.core.dates import dated
from service.core.translation import LOCALES
from service.forecasting.forecasts.examples import example_case
from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS
from tests.service.invented_fleet import FAMILIES, fill

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)


@pytest.fixture
def client(site):
    with httpx.Client(base_url=site.url, follow_redirects=True, timeout=60) as client:
        yield client


def at(site, moment: datetime) -> None:
    site.app.state.clock = lambda: moment


def token_of(text: str) -> str:
    return re.search(r'name="form_token" value="([^"]+)"', text)[1]


def test_a_plan_saved_at_the_form_s_own_time_counts(site, record, phone_page):
    """The newest reading is of the morning, the plan of now: the tick said there, the flag said not known."""
    history = example_case()["history"]
    name = history["pack_id"]
    record("/v1/packs", {"id": name, "family": history["family"]})
    for part in ("readings", "topups"):
        for fact in history[part]:
            record(f"/v1/{part}", {"pack_id": name, **fact})
    newest = max(datetime.fromisoformat(fact["time"]) for fact in history["readings"])
    at(site, newest + timedelta(hours=5))
    page = phone_page
    page.goto(f"{site.url}/bench/units/{name}")
    expect(page.get_by_text("The planned usage is not known")).to_be_visible()
    page.get_by_role("link", name="Enter the planned use").click()
    page.get_by_label("Distance").fill("31")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("The plan is recorded.")
    expect(page.locator(".answer")).to_be_visible()
    expect(page.get_by_text("The planned usage is not known")).to_have_count(0)


def test_a_forecast_of_long_ago_does_not_stand_as_one_of_today(site, van, phone_page, sound):
    """Nothing was entered for longer than a forecast reaches: there is no answer, and nothing to keep."""
    at(site, NOW + timedelta(days=HORIZON_DAYS + 10))
    phone_page.goto(f"{site.url}/bench/units/{van}")
    expect(phone_page.get_by_text("so nothing can be said of today")).to_be_visible()
    expect(phone_page.locator(".answer")).to_have_count(0)
    expect(phone_page.get_by_role("button", name="Keep this forecast")).to_have_count(0)
    sound(phone_page, "unit-long-ago")
    for room in ("what-if", "recheck"):
        phone_page.goto(f"{site.url}/bench/units/{van}/{room}")
        expect(phone_page.get_by_text("so nothing can be said of today")).to_be_visible()
    phone_page.goto(f"{site.url}/bench/units/{van}/topup-plan")
    expect(phone_page.get_by_text("There is no reading of pack MB-VAN-07 since")).to_be_visible()
    assert "Ah at" not in phone_page.locator("main").inner_text(), "no charge by a reading of months ago"


def test_a_pack_that_holds_for_long_and_was_read_lately_has_an_answer_on_every_page(site, van, record, client):
    """Charged 99 days ago and read two days ago, its page said that nothing can be said of today; its way did."""
    read = NOW + timedelta(days=85)
    volts = [12.9] * 4 + [13.2] + [12.9] * 9
    at(site, read)
    record("/v1/readings", {"pack_id": van, "time": read.isoformat(), "state": "rest", "block_v": volts})
    kept = record(f"/v1/packs/{van}/forecasts", {}).json()
    assert kept["good_for_days"] >= 3
    for days, seen in ((2, True), (9, True), (11, False), (29, False)):
        at(site, read + timedelta(days=days))
        for room in ("", "/what-if", "/recheck", "/way?in_days=1"):
            page = client.get(f"/bench/units/{van}{room}")
            assert page.status_code == 200, room
            assert "nothing can be said of today" not in page.text, (days, room)
        unit, way = client.get(f"/bench/units/{van}").text, client.get(f"/bench/units/{van}/way?in_days=1").text
        for page in (unit, way):
            assert ("nobody knows whether it still holds" in page) is not seen, days


def test_no_sheet_is_made_from_a_page_left_open(site, van, client):
    page = client.get(f"/bench/units/{van}").text
    sent = {"form_token": token_of(page), "at": (NOW - timedelta(days=3)).isoformat(), "replacement": ""}
    assert client.post(f"/bench/units/{van}/forecasts", data=sent).status_code == 409
    assert client.get("/v1/issued-forecasts").json()["items"] == []


def test_the_answer_says_until_which_day_and_what_it_takes_for_granted(site, van, record, phone_page):
    phone_page.goto(f"{site.url}/bench/units/{van}")
    expect(phone_page.get_by_text("Nothing has been entered since")).to_be_visible()
    volts = [12.9] * 4 + [13.2] + [12.9] * 9
    record("/v1/readings", {"pack_id": van, "time": NOW.isoformat(), "state": "rest", "block_v": volts})
    phone_page.goto(f"{site.url}/bench/units/{van}")
    answer = httpx.post(f"{site.url}/v1/packs/{van}/forecasts", json={"at": NOW.isoformat()}, timeout=60).json()
    last = NOW + timedelta(days=int(answer["good_for_days"]))
    expect(phone_page.locator(".answer .first")).to_contain_text(
        f"That is until {last:%a} {last.day} {last:%b} {last.year}, {last:%H:%M} UTC."
    )


def test_no_fault_before_anything_is_typed(site, van, client):
    """The way to the replacement opened with a red fault."""
    client.post(f"/v1/packs/{van}/forecasts", json={"at": NOW.isoformat()}).raise_for_status()
    opened = client.get(f"/bench/units/{van}/way")
    assert opened.status_code == 200
    assert 'role="alert"' not in opened.text
    asked = client.get(f"/bench/units/{van}/way?km_per_day=30")
    assert asked.status_code == 422
    assert "in how many days it comes" in asked.text
    assert "in_days" not in re.sub(r"<[^>]*>", "", asked.text)


def test_no_sentence_speaks_to_programs():
    """Everything that pages may say is in the catalogue."""
    text = (LOCALES / "messages.pot").read_text(encoding="utf-8").replace('"\n"', "")
    assert re.findall(r"(?:POST|PATCH|PUT) /|/v1/", text) == []


@pytest.fixture
def fleet(site, record):
    """Thirty packs out on a top-up with a forecast, and three more without."""
    fill(site.store, 30, NOW, seed=3)
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/costs", COSTS.example)
    for family in FAMILIES:
        record("/v1/offers", {**OFFERS.example, "family": family})
    for number in range(3):
        record("/v1/packs", {"id": f"MB-NEW-{number}", "family": FAMILIES[0]})
        when = (NOW - timedelta(days=9 + number)).isoformat()
        record("/v1/topups", {"pack_id": f"MB-NEW-{number}", "time": when, "blocks": [2], "charge_ah": 1.0})
    return site


def test_what_is_not_weighed_is_said_first(fleet, phone_page, sound):
    for address in ("/parts", "/fleet", "/fleet/plan?slots=2", "/fleet/returns"):
        phone_page.goto(f"{fleet.url}{address}")
        said = phone_page.get_by_text("3 vehicles are out on a top-up without a forecast")
        expect(said).to_be_visible()
        shown = phone_page.locator("main").inner_text()
        assert shown.index("they are not counted here") < shown.index(phone_page.locator(".answer").inner_text()[:40])
        assert "MB-NEW-2" in shown
        sound(phone_page, f"not-weighed{address.partition('?')[0].replace('/', '-')}")
    phone_page.get_by_role("button", name="Forecast every pack that is out").click()
    expect(phone_page.get_by_role("status")).to_contain_text("will forecast the whole fleet again")


def test_the_plan_says_of_each_vehicle_without_a_week_why(fleet, phone_page):
    asked = {"slots": [2, 2], "packs": None}
    plan = httpx.post(f"{fleet.url}/v1/fleet/plan", json=asked, timeout=60).json()
    assert plan["planned"] + len(plan["left"]) == plan["vehicles"]
    names = {one["pack_id"] for week in plan["weeks"] for one in week["planned"]}
    assert not names & {one["pack_id"] for one in plan["left"]}
    phone_page.goto(f"{fleet.url}/fleet/plan?slots=2,2&weeks=2")
    # All of them are there; those after the first few are folded.
    shown = phone_page.locator("main").text_content()
    for one in plan["left"]:
        assert one["reason"] in shown
    # An expected amount has no cents.
    assert re.search(r"[A-Z]{3} [\d,]+\.\d\d", phone_page.locator(".answer").inner_text()) is None


def test_nothing_is_to_be_ordered_today_once_it_is_ordered(fleet, client, phone_page):
    entry = client.post("/v1/orders/queue", json={}).json()["entries"][0]
    address = f"/parts/cases/{entry['pack_id']}"
    page = client.get(address).text
    sent = {"form_token": token_of(page), "offer": str(entry["offer_id"]), "once": "x"}
    client.post(f"{address}/order", data=sent).raise_for_status()
    phone_page.goto(f"{fleet.url}{address}")
    expect(phone_page.locator(".answer .first")).to_have_text("A pack is ordered. There is nothing more to order.")
    # Nor below, where the offers stand as if none were ordered: folded, and without the word to order.
    assert not re.search(r"order (now|one|today\b)", phone_page.locator("main").inner_text().lower())
    phone_page.get_by_text("What the offers would be if none were ordered").click()
    expect(phone_page.get_by_role("heading", name="The offers side by side")).to_be_visible()
    assert "order now" not in phone_page.locator(".offers").inner_text()


def test_a_top_up_without_an_outcome_counts_until_it_was_last_heard_of(site, record, client):
    """Nobody wrote down what became of it: that was taken as holding to this day, and the age told was day 1381."""
    record("/v1/costs", COSTS.example)
    begun = NOW - timedelta(days=1400)
    for number in range(14):
        name = f"MB-OLD-{number:02}"
        record("/v1/packs", {"id": name, "family": FAMILIES[0]})
        record("/v1/topups", {"pack_id": name, "time": begun.isoformat(), "blocks": [2]})
        if number < 12:
            when = (begun + timedelta(days=5 + number)).isoformat()
            record("/v1/outcomes", {"pack_id": name, "time": when, "kind": "returned"})
    page = client.get(f"/fleet/age?family={FAMILIES[0]}&pack=1500").text
    said = re.search(r'<p class="first[^"]*">([^<]*)', page)[1]
    assert not re.search(r"1[34]\d\d days", said), said


def test_signed_in_the_calendar_and_the_files_open_and_a_private_address_is_revoked(
    make_site, record, read_van, open_context
):
    site = make_site()
    record(f"/v1/packs/{read_van}/forecasts", {"at": NOW.isoformat()})
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/offers", OFFERS.example)
    key = httpx.post(f"{site.url}/v1/keys", json={"title": "office", "role": "admin"}).json()["key"]
    page = open_context("office").new_page()
    page.goto(f"{site.url}/parts/suppliers")
    page.get_by_label("Access key").fill(key)
    page.get_by_role("button", name="Sign in").click()
    for name in ("All offers as a file", "All orders as a file"):
        with page.expect_download() as got:
            page.get_by_role("link", name=name).click()
        assert got.value.path().read_text(encoding="utf-8").count(",") > 3
    page.goto(f"{site.url}/parts/calendar")
    page.get_by_label("Whose calendar").fill("bench wall")
    page.get_by_role("button", name="Make a private address").click()
    address = page.locator("code").inner_text()
    feed = httpx.get(address)
    assert feed.status_code == 200
    events = icalendar.Calendar.from_ical(feed.content).walk("VEVENT")
    assert any(str(event["SUMMARY"]).startswith(f"Last promised day of {read_van}") for event in events)
    assert all(bool(event.walk("VALARM")) == (event.decoded("DTSTART") > NOW.date()) for event in events)
    assert all(event.decoded("DTSTART") >= NOW.date() for event in events)
    assert (
        httpx.get(f"{site.url}/v1/packs", headers={"Authorization": f"Bearer {address.split('/')[-2]}"}).status_code
        == 401
    )
    # Seen from two tabs, and opened by the browser itself, which takes it as a file.
    other = page.context.new_page()
    with other.expect_download() as got, contextlib.suppress(PlaywrightError):
        other.goto(address)
    assert "BEGIN:VEVENT" in got.value.path().read_text(encoding="utf-8")
    other.goto(f"{site.url}/parts/calendar")
    expect(other.get_by_role("button", name="Close it bench wall")).to_be_visible()
    assert address not in other.content()
    page.goto(f"{site.url}/parts/calendar")
    page.get_by_role("button", name="Close it bench wall").click()
    expect(page.get_by_role("status")).to_contain_text("opens nothing any more")
    expect(page.get_by_role("button", name="Close it")).to_have_count(0)
    assert httpx.get(address).status_code == 404
    other.get_by_role("button", name="Close it bench wall").click()
    expect(other.get_by_role("status")).to_contain_text("opens nothing any more")
    assert other.goto(address).status == 404
    assert "BEGIN:" not in other.content()


def test_what_is_past_is_not_in_the_calendar(site, read_van, record, client):
    record(f"/v1/packs/{read_van}/forecasts", {"at": NOW.isoformat()})
    assert "Last promised day" in client.get("/v1/calendar.ics").text
    at(site, NOW + timedelta(days=60))
    assert "Last promised day" not in client.get("/v1/calendar.ics").text


def test_the_first_page_is_todays_board(fleet, record, van, page, sound):
    """What is due and overdue, for each of the three, before any question."""
    record(f"/v1/packs/{van}/forecasts", {"at": NOW.isoformat()})
    page.goto(fleet.url)
    expect(page.locator("h1")).to_have_text("Today, Sat 14 Mar 2026")
    expect(page.get_by_role("region", name="To be expected")).to_contain_text(
        "Back within a week if none is replaced: about"
    )
    expect(page.get_by_role("region", name="To be ordered")).to_contain_text(re.compile("to be ordered today"))
    expect(page.get_by_text("3 vehicles are out on a top-up without a forecast")).to_be_visible()
    sound(page, "home-board")


def test_the_board_names_who_is_due_and_who_is_past_the_last_safe_day(site, record, read_van, phone_page):
    issued = record(f"/v1/packs/{read_van}/forecasts", {"at": NOW.isoformat()}).json()
    last = NOW + timedelta(days=int(issued["good_for_days"]))
    for minutes, words in ((-5, "today is the last promised day"), (5, "past its last promised day")):
        at(site, last + timedelta(minutes=minutes))
        phone_page.goto(site.url)
        region = phone_page.get_by_role("region", name="To be read again")
        expect(region).to_contain_text(words)
        expect(region.get_by_role("link", name=read_van)).to_be_visible()


def test_the_bench_list_does_not_say_that_a_car_was_good(fleet, phone_page):
    """Nobody knows whether a car whose promise has ended was good until then."""
    phone_page.goto(f"{fleet.url}/bench?unit=MB-000&sort=name")
    listed = phone_page.locator(".units")
    expect(listed).to_contain_text(re.compile(r"its promise ended (Sat|Sun|Mon|Tue|Wed|Thu|Fri) "))
    expect(listed).not_to_contain_text("was good until")


def test_a_refusal_is_said_once_on_a_page(site, read_van, record, phone_page, sound):
    """Of a car of which not even one day can be promised it stood on the page twice and three times."""
    issued = record(f"/v1/packs/{read_van}/forecasts", {"at": NOW.isoformat()}).json()
    at(site, NOW + timedelta(days=int(issued["good_for_days"]), minutes=5))
    page = phone_page
    page.goto(f"{site.url}/bench/units/{read_van}/way?in_days=9&km_per_day=20")
    told = page.locator(".answer .first").inner_text().split(". ")[0]
    assert "do not let it go" in told.lower(), told
    assert page.locator("main").inner_text().count(told) == 1
    sound(page, "way-refused")
    page.goto(f"{site.url}/bench/units/{read_van}/recheck?risk=1")
    told = page.locator(".answer .first").inner_text()
    assert "before a day is over" in told
    assert page.locator("main").inner_text().count("before a day is over") == 1
    sound(page, "recheck-refused")


def test_days_in_sentences_are_written_as_the_pages_do():
    said = "Rest reading of 2026-03-14 08:20+00:00; promise 1 day, until 2026-03-15: version 2026-03-15x and 1.2026."
    assert dated(said, ZoneInfo("Europe/Lisbon")) == (
        "Rest reading of Sat 14 Mar 2026, 08:20 WET; promise 1 day, until Sun 15 Mar 2026: "
        "version 2026-03-15x and 1.2026."
    )
