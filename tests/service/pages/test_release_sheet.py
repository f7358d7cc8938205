"""The release sheet: one page of real text, and no figure on it that the service does not answer."""

from __future__ import annotations

import io
import math
import re
from collections import Counter
from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import icalendar
import pytest
from pypdf import PdfReader

from models.base.percents import risk_percent

FIGURE = re.compile(r"[-−+]?\d+(?:[.,:]\d+)*%?")
NOW = datetime(2026, 3, 3, 7, 0, tzinfo=UTC)
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
DAYS = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]


@pytest.fixture
def issued(site, record, van) -> dict:
    """A forecast that was issued over REST, as the service answers it."""
    site.app.state.clock = lambda: NOW  # later what was promised at the reading would be used up
    return record(f"/v1/packs/{van}/forecasts", {"at": NOW.isoformat(), "replacement_in_days": 7}).json()


def in_words(text: str | datetime) -> str:
    moment = text if isinstance(text, datetime) else datetime.fromisoformat(text)
    return f"{day_in_words(moment)}, {moment:%H:%M} UTC"


def day_in_words(moment: datetime) -> str:
    return f"{DAYS[moment.weekday()]} {moment.day} {MONTHS[moment.month - 1]} {moment.year}"


def median(values: list[float]) -> float:
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def expected_texts(issued: dict, history: dict) -> list[str]:
    """Write every figure of the answers as the sheet should, from the JSON alone."""
    answer = issued["answer"]
    origin = datetime.fromisoformat(issued["origin"])
    topup = history["topups"][-1]
    block = topup["blocks"][0]
    texts = [
        issued["pack_id"],
        f"Forecast {issued['id']}, made on {in_words(issued['issued_at'])}, model {issued['model_id']}.",
        f"Days count from {in_words(issued['origin'])}",
        *answer["cautions"],
        *answer["sentences"],
    ]
    for promise in answer["good_for"]:
        days = math.floor(promise["days"])
        until = in_words(origin + timedelta(days=days))
        said = f"{counted(days)}, until {until}" if days >= 1 else "not even one day"
        texts.append(f"Good for, at {promise['confidence']:.0%}: {said}")
    for reading in history["readings"]:
        volts = reading["block_v"]
        middle = median(volts)
        off = f"{volts[block - 1] - middle:+.2f}".replace("-", "−")
        parts = [in_words(reading["time"]), f"block {block} {volts[block - 1]:g} V ({off} V)", f"median {middle:.2f} V"]
        parts += [f"{reading['current_a']:g} A"] if reading.get("current_a") is not None else []
        parts += [f"{reading['temperature_c']:g} °C"] if reading.get("temperature_c") is not None else []
        texts.append(", ".join(parts))
    texts.append(
        f"{in_words(topup['time'])}, {topup['charge_ah']:g} Ah, in {topup['duration_h']:g} h, "
        f"{topup['end_v']:g} V at the end, rest {topup['rest_after_v']:g} V after"
    )
    plan = history["usage"][-1]
    texts.append(
        f"{in_words(plan['time'])}, {plan['km_per_day']:g} km a day, {plan['trips_per_day']:g} trips a day, "
        f"{plan['ambient_c']:g} °C outside"
    )
    main = next(p for p in answer["good_for"] if p["confidence"] == 0.9)
    if main["days"] >= 1:
        last = in_words(origin + timedelta(days=math.floor(main["days"])))
        texts.append(f"Bring the car back by {last} at the latest")
    texts.append(f"Given out on {in_words(issued['issued_at'])}.")
    return texts


def counted(days: float) -> str:
    return f"{days} day" if days == 1 else f"{days} days"


def side(mv: float) -> str:
    return f"{abs(mv):g} mV {'above' if mv < 0 else 'below'}" if mv else "level"


def recheck_texts(plan: dict, issued: dict) -> list[str]:
    """Write a recheck plan as the sheet should, from the JSON alone."""
    texts = []
    main = next(p["days"] for p in issued["answer"]["good_for"] if p["confidence"] == 0.9)
    last = datetime.fromisoformat(issued["origin"]) + timedelta(days=math.floor(main))
    recheck = None if plan["recheck_at"] is None else datetime.fromisoformat(plan["recheck_at"])
    if main >= 1 and recheck is not None and recheck.date() < last.date():
        texts.append(f"The best day to read it again is {day_in_words(recheck)}.")
    for row in plan["table"]:
        low, high = row["low_mv"], row["high_mv"]
        if low is None and high is None:
            reads = "whatever it reads"
        elif low is None:
            reads = f"more than {abs(high):g} mV above" if high <= 0 else f"up to {side(high)}"
        elif high is None:
            reads = f"more than {low:g} mV below" if low >= 0 else f"lower than {side(low)}"
        elif low > 0:
            reads = f"{low:g} to {high:g} mV below"
        elif high < 0:
            reads = f"{-high:g} to {-low:g} mV above"
        else:
            reads = f"{side(low)} to {side(high)}"
        good = "past the forecast's end" if row["beyond_horizon"] else counted(math.floor(row["good_for_days"]))
        back = "not known" if row["return_14"] is None else risk_percent(row["return_14"])
        texts.append(f"{reads} {'do not drive on' if row['stop'] else good} {back}")
    return texts


def squeezed(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def test_every_figure_on_the_pdf_is_the_services_answer(site, van, issued):
    answer = httpx.get(f"{site.url}/bench/forecasts/{issued['id']}/sheet.pdf")
    assert answer.headers["content-type"] == "application/pdf"
    reader = PdfReader(io.BytesIO(answer.content))
    assert len(reader.pages) == 1
    wide, high = (float(side) * 25.4 / 72 for side in reader.pages[0].mediabox[2:])
    assert (round(wide), round(high)) == (210, 297)
    text = squeezed(reader.pages[0].extract_text())
    history = httpx.get(f"{site.url}/v1/packs/{van}/history").json()
    plan = httpx.post(f"{site.url}/v1/packs/{van}/recheck", json={"at": issued["origin"]}, timeout=60).json()
    assert plan["table"]
    explained = httpx.post(
        f"{site.url}/v1/forecasts", json={"history": history, "at": issued["origin"], "explain": True}
    )
    state = explained.json()["explanation"]["block_state"]["sentence"]
    assert state in httpx.get(f"{site.url}/bench/units/{van}", timeout=60).text
    expected = [*expected_texts(issued, history), *recheck_texts(plan, issued), state]
    for words in expected:
        assert squeezed(words) in text, words
    # And the other way round: whatever figure is left is one of the drawing or of the words around it.
    rest = Counter(FIGURE.findall(text))
    for words in {*expected, f"MB-VAN-07 {van} {van} {van}"}:
        rest -= Counter(FIGURE.findall(words))
    promise = next(p for p in issued["answer"]["good_for"] if p["confidence"] == 0.9)["days"]
    marks = {str(math.floor(promise)), "7"}
    days = {*range(0, 15, 2), *range(0, 31, 5), *range(0, 61, 10), *range(0, 91, 15)}
    ticks = {"0%", "25%", "50%", "75%", "100%", *map(str, days)}
    block = {str(b) for topup in history["topups"] for b in topup["blocks"]}
    family = set(FIGURE.findall(issued["answer"]["family"]))
    origin = set(FIGURE.findall(in_words(issued["origin"])))
    # The last promised day and that of the next reading stand on the sheet and on the owner's slip.
    origin |= set(FIGURE.findall(" ".join(recheck_texts(plan, issued)[:1])))
    origin |= set(FIGURE.findall(in_words(datetime.fromisoformat(issued["origin"]) + timedelta(days=int(promise)))))
    assert set(rest) <= marks | ticks | block | family | origin


def test_the_page_and_the_pdf_say_the_same(site, van, issued, page, sound):
    page.goto(f"{site.url}/bench/forecasts/{issued['id']}")
    shown = squeezed(page.locator("article").inner_text())
    pdf = PdfReader(io.BytesIO(httpx.get(f"{page.url}/sheet.pdf").content)).pages[0].extract_text()
    for sentence in [*issued["answer"]["sentences"], *issued["answer"]["cautions"]]:
        assert sentence in shown
        assert sentence in squeezed(pdf)
    for words in (
        "Gloves: air test",
        "Absence of voltage",
        "lifted by two",
        "Released by",
        "For the owner",
        "Signature",
    ):
        assert words in shown
        assert words in squeezed(pdf)
    sound(page, "release-sheet-rest")


def test_the_page_prints_on_one_sheet(site, issued, open_tab):
    page = open_tab("office")
    page.goto(f"{site.url}/bench/forecasts/{issued['id']}")
    printed = page.pdf(prefer_css_page_size=True)
    assert len(PdfReader(io.BytesIO(printed)).pages) == 1


def test_sheet_slip_and_calendar_name_one_day_in_one_sentence(site, van, issued):
    """The sheet named the day worth most to read, the slip and the calendar two others."""
    main = next(p["days"] for p in issued["answer"]["good_for"] if p["confidence"] == 0.9)
    last = datetime.fromisoformat(issued["origin"]) + timedelta(days=math.floor(main))
    said = f"Bring the car back by {in_words(last)} at the latest, and at once if a warning lamp comes on."
    page = httpx.get(f"{site.url}/bench/forecasts/{issued['id']}").text
    sheet, slip = page.split('id="owner"')
    assert main >= 1
    assert said in sheet
    assert said in slip
    (event,) = [e for e in calendar_events(site) if e["SUMMARY"] == f"Last promised day of {van}, until {last:%H:%M}"]
    assert event.decoded("DTSTART") == last.date()
    assert said in event["DESCRIPTION"]


def test_no_sheet_is_made_once_its_last_safe_day_is_past(site, van, issued, phone_page):
    phone_page.goto(f"{site.url}/bench/forecasts/{issued['id']}")
    assert "For the owner" in phone_page.content()
    site.app.state.clock = lambda: NOW + timedelta(days=120)
    phone_page.reload()
    shown = phone_page.locator("main").inner_text()
    assert "This sheet is no longer good: what was promised ended on" in shown
    assert "For the owner" not in shown
    assert "As PDF" not in shown
    assert httpx.get(f"{phone_page.url}/sheet.pdf").status_code == 409


def promises_nothing(address: str, why: str) -> None:
    """Check that a sheet says first why nobody may be let go by it, with nothing that could be taken for a release."""
    shown = httpx.get(address).text
    first = "Not to be driven until it is looked at: no release sheet is made from this forecast."
    assert first in shown
    assert why in shown
    assert shown.index(first) < shown.index(why) < shown.index("Cautions")
    for words in (
        "Bring the car back",
        "For the owner",
        "best day to read",
        "Signature",
        "Good for, at",
        "hold on day",
    ):
        assert words not in shown, words
    refused = httpx.get(f"{address}/sheet.pdf")
    assert refused.status_code == 409
    assert "Not to be driven" in refused.text


def test_no_release_is_made_of_a_forecast_that_gravely_warns(site, van, record):
    """Read at 58 °C after the charge, the owner's slip still named the day to bring the car back."""
    site.app.state.clock = lambda: NOW
    hot = [r["id"] for r in httpx.get(f"{site.url}/v1/readings").json()["items"] if r["time"] > "2026-03-02T12"]
    for number in hot:
        httpx.patch(f"{site.url}/v1/readings/{number}", json={"temperature_c": 58}).raise_for_status()
    kept = record(f"/v1/packs/{van}/forecasts", {"at": NOW.isoformat(), "replacement_in_days": 7}).json()
    assert any(flag["grave"] for flag in kept["answer"]["flags"])
    promises_nothing(f"{site.url}/bench/forecasts/{kept['id']}", "Do not go by these figures until")
    assert "Bring the car back" not in httpx.get(f"{site.url}/bench/units/{van}/recheck", timeout=60).text


def test_no_release_is_made_of_a_pack_that_nobody_read_after_its_charge(site, van, record):
    """With less read it went for a day, and the same sheet said not to drive on, whatever its next reading says."""
    site.app.state.clock = lambda: NOW
    for topup in httpx.get(f"{site.url}/v1/topups").json()["items"]:
        httpx.patch(
            f"{site.url}/v1/topups/{topup['id']}", json={"rest_after_v": None, "rest_after_h": None}
        ).raise_for_status()
    for reading in httpx.get(f"{site.url}/v1/readings").json()["items"]:
        if reading["time"] > "2026-03-02T12":
            httpx.delete(f"{site.url}/v1/readings/{reading['id']}").raise_for_status()
    kept = record(f"/v1/packs/{van}/forecasts", {"at": NOW.isoformat(), "replacement_in_days": 7}).json()
    assert "no-rest-after" in [flag["code"] for flag in kept["answer"]["flags"]]
    read = "Do not let it go yet: nothing tells how each charged block stands now."
    assert kept["answer"]["lead"][0].startswith(read)
    promises_nothing(f"{site.url}/bench/forecasts/{kept['id']}", read)
    release = httpx.post(f"{site.url}/v1/packs/{van}/release", json={"in_days": 7}).json()
    assert release["good_until"] is None
    assert release["conditions"][0].startswith(read)
    assert not any("before it leaves" in condition for condition in release["conditions"])


def test_no_release_is_made_of_a_pack_that_nobody_has_read_for_long(site, van, record):
    """Last read 150 days ago, a forecast kept over REST got a sheet that said what holds on day 90."""
    now = NOW + timedelta(days=150)
    site.app.state.clock = lambda: now
    kept = record(f"/v1/packs/{van}/forecasts", {"at": (now - timedelta(days=2)).isoformat()}).json()
    promises_nothing(f"{site.url}/bench/forecasts/{kept['id']}", "150 days ago: nobody knows whether it still holds")


def test_the_page_of_a_unit_long_silent_leads_with_it_and_offers_no_sheet(site, van, record):
    """45 days unread, it showed days, ticks and the sheet's button, with the silence as the last grey line."""
    now = NOW + timedelta(days=45)
    site.app.state.clock = lambda: now
    unit = httpx.get(f"{site.url}/bench/units/{van}", timeout=60).text
    warned = "Do not go by these figures until this has been looked at: Its newest record is of Tue 3 Mar 2026, 45 days"
    assert 0 < unit.index(warned) < unit.index('class="first')
    assert "no release sheet follows from it" in unit
    assert "make the release sheet" not in unit
    told = record(f"/v1/packs/{van}/forecasts", {}).json()["answer"]
    assert told["sentences"][0].startswith(warned.replace("Tue 3 Mar 2026", "2026-03-03"))
    assert told["sentences"][0] == told["lead"][0]


def test_whether_it_may_go_leads_on_the_page_and_on_the_sheet(site, van, issued):
    said = issued["answer"]["lead"][0]
    assert said.startswith("By these figures it may go for")
    unit = httpx.get(f"{site.url}/bench/units/{van}", timeout=60).text
    assert unit.index(said) < unit.index("make the release sheet")
    sheet = httpx.get(f"{site.url}/bench/forecasts/{issued['id']}").text
    assert sheet.index(said) < sheet.index("To be signed at the bench")


def calendar_events(site) -> list:
    return icalendar.Calendar.from_ical(httpx.get(f"{site.url}/v1/calendar.ics").content).walk("VEVENT")


def test_a_record_that_was_changed_since_is_said_so(site, van, issued, phone_page):
    (topup,) = httpx.get(f"{site.url}/v1/topups").json()["items"]
    phone_page.goto(f"{site.url}/bench/forecasts/{issued['id']}")
    said = "The record was changed, or something entered, after this forecast. Make a new one first."
    assert said not in phone_page.content()
    httpx.patch(f"{site.url}/v1/topups/{topup['id']}", json={"charge_ah": 1.2}).raise_for_status()
    phone_page.reload()
    assert said in phone_page.content()
    assert "Bring the car back" not in phone_page.content()
    refused = httpx.get(f"{phone_page.url}/sheet.pdf")
    assert refused.status_code == 409
    assert said in refused.text


def test_no_release_is_made_once_something_was_entered_that_the_forecast_does_not_know(site, van, issued, record):
    sheet = f"{site.url}/bench/forecasts/{issued['id']}"
    assert "Bring the car back" in httpx.get(sheet).text
    site.app.state.clock = lambda: NOW + timedelta(hours=2)
    later = {"pack_id": van, "time": (NOW + timedelta(hours=1)).isoformat(), "state": "rest", "temperature_c": 52}
    record("/v1/readings", {**later, "block_v": [12.9] * 14})
    shown = httpx.get(sheet).text
    assert "something entered, after this forecast" in shown
    assert "Bring the car back" not in shown
    assert httpx.get(f"{sheet}/sheet.pdf").status_code == 409


def test_no_release_is_made_of_a_forecast_that_promises_not_even_one_day(site, van, record):
    """A block hardly higher after its charge: the sheet said to drive as far as was agreed, and was signed."""
    site.app.state.clock = lambda: NOW
    low = [12.9] * 14
    low[4] = 12.77
    record("/v1/readings", {"pack_id": van, "time": "2026-03-03T06:30:00Z", "state": "rest", "block_v": low})
    kept = record(f"/v1/packs/{van}/forecasts", {"at": NOW.isoformat()}).json()
    assert not any(flag["grave"] for flag in kept["answer"]["flags"])
    assert next(one["days"] for one in kept["answer"]["good_for"] if one["confidence"] == 0.9) < 1
    sheet = f"{site.url}/bench/forecasts/{kept['id']}"
    shown = httpx.get(sheet).text
    why = "Not even one day can be promised: no release sheet is made from this forecast."
    assert shown.index(why) < shown.index("Cautions")
    may_not = "By these figures do not let it go: not even one day can be promised."
    assert shown.index(may_not) < shown.index(why)
    for words in ("Bring the car back", "For the owner", "Signature", "Good for, at", "hold on day"):
        assert words not in shown, words
    refused = httpx.get(f"{sheet}/sheet.pdf")
    assert refused.status_code == 409
    assert why in refused.text
    unit = httpx.get(f"{site.url}/bench/units/{van}", timeout=60).text
    assert "no release sheet follows from it" in unit
    assert "make the release sheet" not in unit
    assert unit.index(may_not) < unit.index("Measure next: ") < unit.index("no release sheet follows from it")
