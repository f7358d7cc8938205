"""On a telephone the long pages say first what is needed first; the rest is folded, not gone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import numpy as np
import pytest
from playwright.sync_api import expect

from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS
from tests.benchmarks.bench_unit_page import weight
from tests.service.invented_fleet import FAMILIES, fill

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
VEHICLES = 60
VAN = "MB-VAN-07"
LONGEST_PX = 5 * 844
"""Our choice: five turns of a telephone's screen; they were 4,001 to 9,239 px."""


@pytest.fixture
def fleet(site, record):
    fill(site.store, VEHICLES, NOW, seed=8)
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/costs", COSTS.example)
    for family in FAMILIES:
        record("/v1/offers", {**OFFERS.example, "family": family})
        record("/v1/offers", {**OFFERS.example, "family": family, "express_fee": 160.0, "usual_days": 3,
                              "earliest_days": 2, "latest_days": 6})  # fmt: skip
    record("/v1/packs", {"id": "MB-NEW-1", "family": FAMILIES[0]})
    when = (NOW - timedelta(days=3)).isoformat()
    record("/v1/topups", {"pack_id": "MB-NEW-1", "time": when, "blocks": [2], "charge_ah": 1.0})
    return site


@pytest.fixture
def fleet_and_van(site, sent_once, request):
    """The fleet, and the van read this morning."""
    sent_once("folded pages", lambda: [request.getfixturevalue(name) for name in ("fleet", "read_van")])
    return site


LONG = {
    "unit": ("/bench/units/MB-VAN-07", "The electrolyte is caustic"),
    "new car": ("/bench/add", "The mean over all days"),
    "back again": ("/bench/units/MB-VAN-07/visit", "The mean over all days"),
    "reading": ("/bench/units/MB-VAN-07/reading/new", "State of charge in the scan tool"),
    "what if": ("/bench/units/MB-VAN-07/what-if", "Simulated packs that fit these readings"),
    "top-up plan": ("/bench/units/MB-VAN-07/topup-plan", "Rest reading of"),
    "record": ("/record", "promises of days"),
    "queue": ("/parts", "Costs are counted for 180 days"),
    "ranking": ("/fleet?order=good_until", "The whole ranking as a file"),
    "plan": ("/fleet/plan?slots=3&weeks=8", "Budget for packs"),
}
"""Page: its address, and words that are folded at first."""


PRINTED = """() => {
    const folded = [...document.querySelectorAll("details.tucked:not([open])")];
    dispatchEvent(new Event("beforeprint"));
    const left = folded.filter((fold) => !fold.open).length;
    for (const fold of folded) fold.open = false;
    return left;
}"""
"""How many folds are left closed on paper; they are closed again."""


@pytest.fixture
def long_page(fleet_and_van, record, request):
    name = request.param
    if name == "unit":
        for day in range(4):
            record(f"/v1/packs/{VAN}/forecasts", {"at": (NOW - timedelta(days=day)).isoformat()})
    address, words = LONG[name]
    return name, f"{fleet_and_van.url}{address}", words


@pytest.mark.parametrize("long_page", LONG, indirect=True)
def test_a_long_page_fits_a_telephone_and_nothing_is_lost(long_page, open_tab, sound):
    name, address, words = long_page
    page = open_tab("phone")
    page.goto(address)
    length = page.evaluate("document.documentElement.scrollHeight")
    assert length <= LONGEST_PX
    folded = page.get_by_text(words).first
    expect(folded).to_be_hidden()
    assert page.evaluate(PRINTED) == 0
    expect(folded).to_be_hidden()
    # Every fold is a stop of the Tab key, and Enter opens it.
    for _fold in page.locator("details.tucked:not([open])").all():
        for _stop in range(100):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.matches('details.tucked:not([open]) > summary')"):
                break
        page.keyboard.press("Enter")
    expect(page.locator("details.tucked:not([open])")).to_have_count(0)
    expect(folded).to_be_visible()
    sound(page, f"unfolded-{name}")


@pytest.mark.parametrize("long_page", LONG, indirect=True)
def test_the_browser_s_own_search_finds_what_is_folded(long_page, open_tab):
    """A text in the address is looked for as the search of the browser does (WICG Scroll to Text Fragment)."""
    _name, address, words = long_page
    page = open_tab("phone")
    page.goto(f"{address}#:~:text={words.replace(' ', '%20')}")
    expect(page.get_by_text(words).first).to_be_visible()
    expect(page.get_by_text(words).first).to_be_in_viewport()


@pytest.mark.parametrize("long_page", LONG, indirect=True)
def test_on_a_desk_it_stands_open(long_page, open_tab):
    _name, address, words = long_page
    page = open_tab("office")
    page.goto(address)
    expect(page.locator("details.tucked:not([open])")).to_have_count(0)
    expect(page.get_by_text(words).first).to_be_visible()


HEAVIEST_BYTES = 20_000
"""Over the wire for a first view, with all that the page fetches; the bar set for these pages."""


LIGHT_BYTES = 19_000
"""Clearly below the bar, whether a unit has twenty readings or two hundred."""


def read_again(record, pack_id: str, days: int) -> None:
    """Record a reading at rest and one under load on each of the days before now."""
    rng = np.random.default_rng(1)
    for day in range(1, days + 1):
        when = NOW - timedelta(days=day)
        for state, level, amps in (("rest", 12.9, 0.0), ("discharge", 11.2, 18.0)):
            volts = (level + rng.normal(0, 0.01, 14)).round(3).tolist()
            reading = {"pack_id": pack_id, "state": state, "current_a": amps, "block_v": volts}
            record("/v1/readings", {**reading, "time": when.isoformat()})
            when += timedelta(hours=1)


@pytest.mark.parametrize("days", [10, 15, 60])
def test_a_page_with_many_readings_is_light(fleet_and_van, record, days):
    """Ten of each state are drawn. A line, a dot and an entry each: it was 22.9 kB, then 20.04, and grew with each."""
    read_again(record, VAN, days)
    with httpx.Client(base_url=fleet_and_van.url, timeout=60) as client:
        page = client.get(f"/bench/units/{VAN}").text
        assert page.count('class="deviations') == 2
        assert weight(client, f"/bench/units/{VAN}") <= LIGHT_BYTES


def test_what_was_recorded_long_ago_is_a_tap_away(fleet_and_van, record, open_tab, sound):
    read_again(record, VAN, 10)
    page = open_tab("phone")
    page.goto(f"{fleet_and_van.url}/bench/units/{VAN}")
    page.get_by_role("heading", name="What is recorded").click()
    page.get_by_text("9 older entries").click()
    shown = page.locator("section[aria-labelledby=recorded] .facts a")
    expect(shown).to_have_count(12)
    history = httpx.get(f"{fleet_and_van.url}/v1/packs/{VAN}/history").json()
    facts = [fact for part in ("readings", "topups", "usage", "outcomes") for fact in history[part]]
    first = min(datetime.fromisoformat(fact["time"]) for fact in facts)
    page.get_by_role("link", name=f"Show everything, back to {first:%a} {first.day} {first:%b %Y}").click()
    expect(shown).to_have_count(len(facts))
    expect(shown.last).to_be_visible()
    expect(page.get_by_role("link", name="Show everything")).to_have_count(0)
    sound(page, "everything-recorded")


def test_drawings_stand_beside_each_other_on_a_desk(fleet_and_van, open_tab):
    """They stood one above the other, and the right half of the screen was empty."""
    page = open_tab("office")
    page.goto(f"{fleet_and_van.url}/bench/units/{VAN}")
    blocks, past = (page.locator(f"svg.{name}").first.bounding_box() for name in ("snapshot", "past.pointed"))
    assert past["x"] > blocks["x"] + blocks["width"]
    assert abs(past["y"] - blocks["y"]) < 100
