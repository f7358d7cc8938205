"""The fleet manager's tasks in a real browser: ranking, plan, returns, age; both widths, with and without scripts."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import pytest
from playwright.sync_api import expect

from service.pages.fleet.ranking import PAGE
from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS
from service.store.schema import Score
from tests.service.invented_fleet import FAMILIES, fill
from tests.service.pages.folds import unfold

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
VEHICLES = 120
HOSTILE = '=HYPERLINK("https://example.invalid") <b>\U0001f69a</b>'


@pytest.fixture
def fleet(site, record):
    """A hundred and twenty vehicles out on top-ups, offers and the house's costs."""
    fill(site.store, VEHICLES, NOW, seed=8)
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/costs", COSTS.example)
    for family in FAMILIES:
        record("/v1/offers", {**OFFERS.example, "family": family})
    return site


def shows(page, names: list[str]) -> None:
    expect(page.locator("tbody th a")).to_have_text(names)


def test_an_empty_office_says_what_to_do(site, record, desk_page, sound_at_both):
    page = desk_page
    page.goto(f"{site.url}/fleet")
    expect(page.get_by_role("heading", name="The costs are needed first")).to_be_visible()
    record("/v1/costs", COSTS.example)
    page.goto(f"{site.url}/fleet")
    expect(page.get_by_text("No vehicle in this part of the fleet is out on a top-up")).to_be_visible()
    sound_at_both(page, "fleet-empty")
    page.get_by_role("button", name="Forecast the whole fleet again").click()
    expect(page.get_by_role("status")).to_contain_text("Job 1 will forecast the whole fleet again.")
    expect(page.get_by_text("Job 1 is running")).to_be_visible()
    (job,) = httpx.get(f"{site.url}/v1/jobs").json()["items"]
    assert (job["kind"], job["state"]) == ("scoring", "queued")
    for place in ("returns", "age", "plan"):
        page.goto(f"{site.url}/fleet/{place}")
        sound_at_both(page, f"fleet-{place}-empty")


def test_the_ranking_its_parts_and_pages(fleet, either_page, sound):
    page = either_page
    page.goto(f"{fleet.url}/fleet")
    ranking = httpx.get(f"{fleet.url}/v1/fleet/ranking", params={"limit": VEHICLES}).json()
    everybody = [item["vehicle_id"] for item in ranking["items"]]
    shows(page, everybody[:PAGE])
    expect(page.locator(".answer .first")).to_contain_text(everybody[0])
    sound(page, "fleet-ranking")
    for first in range(PAGE, VEHICLES, PAGE):
        page.get_by_role("link", name="Next page").click()
        shows(page, everybody[first : first + PAGE])
    expect(page.get_by_role("link", name="Next page")).to_have_count(0)
    unfold(page)
    page.get_by_label("Where it stands").select_option("north pier")
    page.get_by_role("button", name="Show").click()
    shows(page, [item["vehicle_id"] for item in ranking["items"] if item["site"] == "north pier"][:PAGE])
    assert page.goto(f"{fleet.url}/fleet?cursor=abc").status == 422
    expect(page.get_by_text("It is not a cursor of this ranking")).to_be_visible()


def test_a_plan_to_play_with(fleet, either_page, sound):
    page = either_page
    page.goto(fleet.url)
    page.get_by_label("Workshop slots a week").fill("3")
    page.get_by_role("button", name="Plan", exact=True).click()
    expect(page.locator("svg.plan")).to_be_visible()
    page.goto(f"{fleet.url}/fleet")
    page.get_by_role("link", name="Plan by week").click()
    page.get_by_label("Workshop slots a week").fill("2")
    page.get_by_label("Weeks", exact=True).fill("4")
    unfold(page)
    page.get_by_label("Packs that arrive a week").fill("1, 3, 0, 2")
    page.get_by_label("Budget for packs").fill("900")
    page.get_by_role("button", name="Plan").click()
    expect(page.locator("#budget-wrong")).to_contain_text("buys no pack")
    expect(page.locator("#budget-wrong")).to_contain_text("Raise it to at least EUR 1,450,")
    sound(page, "fleet-plan-wrong")
    page.get_by_label("Budget for packs").fill("9000")
    page.get_by_role("button", name="Plan").click()
    asked = {"slots": [2, 2, 2, 2], "packs": [1, 3, 0, 2], "budget": 9000, "time_limit_s": 5}
    plan = httpx.post(f"{fleet.url}/v1/fleet/plan", json=asked, timeout=60).json()
    expect(page.locator(".answer")).to_contain_text(plan["sentence"])
    planned = [one["vehicle_id"] for week in plan["weeks"] for one in week["planned"]]
    expect(page.locator(".vehicles a")).to_have_text(planned)
    sound(page, "fleet-plan")
    rows = list(
        csv.DictReader(io.StringIO(httpx.get(page.url.replace("/plan?", "/plan.csv?")).text.removeprefix("\ufeff")))
    )
    assert [row["vehicle_id"] for row in rows] == planned


def test_what_saves_next_to_nothing_is_not_said_to_save_eur_0(fleet, open_tab):
    """So many slots that the last weeks gain cents."""
    page = open_tab("phone")
    page.goto(f"{fleet.url}/fleet/plan?slots=12&weeks=10")
    expect(page.get_by_text("saves less than EUR 1").first).to_be_attached()
    assert not re.search(r"EUR (0|−0)\b", page.locator("main").text_content())


def test_returns_to_expect(fleet, page, sound):
    page.goto(f"{fleet.url}/fleet/returns?weeks=6")
    told = httpx.get(f"{fleet.url}/v1/fleet/returns", params={"weeks": 6}).json()
    expect(page.locator(".answer")).to_contain_text(told["sentence"])
    expect(page.locator("tbody tr td:nth-child(3)")).to_have_text([f"{week['mean']:.1f}" for week in told["weeks"]])
    expect(page.locator("svg.returns .mean")).to_have_count(6)
    counts = page.locator("svg.returns g[text-anchor=end] text.tick").all_text_contents()
    assert len(counts) > 1
    assert all(tick.isdecimal() for tick in counts)
    sound(page, "fleet-returns")
    # The last column was cut off on a telephone: the numbers of the weeks had room for names.
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.locator(".wide").evaluate_all("all => all.every(one => one.scrollWidth <= one.clientWidth)")
    page.goto(f"{fleet.url}/fleet/returns?weeks=90")
    expect(page.locator("#weeks-wrong")).to_be_visible()


def test_replacing_by_age(fleet, record, desk_page, sound_at_both):
    page = desk_page
    for number in range(12):
        name, start = f"MB-OLD-{number}", NOW - timedelta(days=100)
        record("/v1/packs", {"id": name, "family": "marl-28"})
        record("/v1/topups", {"pack_id": name, "time": start.isoformat(), "blocks": [2]})
        end = start + timedelta(days=10 + number)
        record("/v1/outcomes", {"pack_id": name, "time": end.isoformat(), "kind": "returned"})
    page.goto(f"{fleet.url}/fleet/age")
    page.get_by_label("Kind of pack").select_option("marl-28")
    page.get_by_role("button", name="Ask").click()
    told = httpx.get(f"{fleet.url}/v1/families/marl-28/age-policy").json()
    expect(page.locator(".answer")).to_contain_text(told["sentence"])
    sound_at_both(page, "fleet-age")
    page.get_by_label("Kind of pack").select_option("gravel-14")
    page.get_by_role("button", name="Ask").click()
    expect(page.get_by_text("an age takes at least 10 returns")).to_be_visible()
    expect(page.locator("#faults")).to_have_count(0)  # nothing that was entered is wrong


def test_hostile_text_stays_text(fleet, desk_page, sound_at_both):
    page = desk_page
    with fleet.store.writing() as session:
        session.get_one(Score, "MB-00003").site = HOSTILE
    page.goto(f"{fleet.url}/fleet")
    unfold(page)
    page.get_by_label("Where it stands").select_option(HOSTILE)
    page.get_by_role("button", name="Show").click()
    expect(page.locator("tbody tr")).to_contain_text("<b>\U0001f69a</b>")
    sound_at_both(page, "fleet-hostile")
    (row,) = csv.DictReader(
        io.StringIO(httpx.get(f"{fleet.url}/fleet/ranking.csv", params={"site": HOSTILE}).text.removeprefix("\ufeff"))
    )
    assert row["site"] == f"'{HOSTILE}"
    assert float(row["week_cost"])


@pytest.mark.parametrize("dark", [True], ids=["dark"])
def test_the_office_by_night_and_on_paper(fleet, open_context, dark, sound):
    page = open_context("office", dark=dark).new_page()
    page.goto(f"{fleet.url}/fleet/plan?slots=3&weeks=6")
    sound(page, "fleet-plan-dark")
    page.emulate_media(media="print")
    expect(page.get_by_role("button", name="Plan")).to_be_hidden()
    expect(page.locator(".week").first).to_be_visible()
