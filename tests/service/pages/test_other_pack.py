"""Another pack goes into a unit's vehicle, from the unit's page."""

from __future__ import annotations

import re

import httpx2 as httpx
from playwright.sync_api import expect


def test_another_pack_goes_in_and_the_old_one_says_where_it_went(site, van, either_page, sound):
    page = either_page
    page.goto(f"{site.url}/bench/units/{van}")
    page.get_by_role("link", name="Say what became of it").click()
    page.get_by_role("link", name="Another pack goes in").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Another pack in {van}")
    expect(page.get_by_text("It is out on a top-up: that ends here.")).to_be_visible()
    sound(page, "other-pack")
    page.get_by_label("Number of the pack that goes in").fill(van)
    page.get_by_role("button", name="It goes in").click()
    expect(page.get_by_role("alert")).to_contain_text(f"Pack {van} sits in {van} already")
    page.get_by_label("Number of the pack that goes in").fill("MB-P-0815")
    page.get_by_label("Odometer").fill("211480")
    page.get_by_role("button", name="It goes in").click()
    expect(page.get_by_role("status")).to_contain_text("Pack MB-P-0815 sits in")
    expect(page.get_by_role("heading", level=1)).to_have_text(van)
    expect(page.get_by_text("Pack MB-P-0815,")).to_be_visible()
    page.goto(f"{site.url}/bench/units/{van}")
    expect(page.locator("#moved")).to_contain_text(f"It came out of {van} on")
    expect(page.locator("#moved").get_by_role("link", name="MB-P-0815")).to_be_visible()
    sound(page, "pack-that-came-out")
    (outcome,) = httpx.get(f"{site.url}/v1/outcomes").json()["items"]
    assert outcome["kind"] == "replaced"


def test_it_can_be_taken_back(site, van, phone_page):
    page = phone_page
    page.goto(f"{site.url}/bench/units/{van}/other-pack")
    page.get_by_label("Number of the pack that goes in").fill("MB-P-0815")
    page.get_by_role("button", name="It goes in").click()
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("Undone.")
    (seat,) = httpx.get(f"{site.url}/v1/assignments").json()["items"]
    assert (seat["pack_id"], seat["until"]) == (van, None)
    assert httpx.get(f"{site.url}/v1/outcomes").json()["items"] == []
    assert [pack["id"] for pack in httpx.get(f"{site.url}/v1/packs").json()["items"]] == [van]


def test_a_pack_under_a_stop_goes_in_only_when_somebody_says_so(site, van, record, either_page, sound):
    """It went in without a word."""
    record("/v1/packs", {"id": "MB-P-0900", "family": "gravel-14"})
    seen = {"pack_id": "MB-P-0900", "time": "2026-03-12T08:00:00Z", "state": "rest", "block_v": [None] * 14}
    record("/v1/readings", {**seen, "inspected": "damaged"})
    page = either_page
    page.goto(f"{site.url}/bench/units/{van}/other-pack")
    page.get_by_label("Number of the pack that goes in").fill("MB-P-0900")
    page.get_by_role("button", name="It goes in").click()
    expect(page.get_by_role("alert")).to_contain_text("STOP: ")
    sound(page, "other-pack-stopped")
    assert len(httpx.get(f"{site.url}/v1/assignments").json()["items"]) == 1, "nothing was changed"
    page.get_by_role("button", name="It is right, save it").click()
    expect(page.get_by_role("status")).to_contain_text("STOP: ")
    expect(page.get_by_role("status")).to_contain_text("Pack MB-P-0900 sits in")


def test_the_bench_list_leaves_no_unit_without_a_word(site, van, record, phone_page, sound):
    record("/v1/packs", {"id": "MB-P-0815", "family": "gravel-14"})
    page = phone_page
    page.goto(f"{site.url}/bench")
    rows = page.locator(".units > li")
    expect(rows).to_have_count(2)
    expect(rows.filter(has_text=van)).to_contain_text("no forecast is kept")
    expect(rows.filter(has_text="MB-P-0815")).to_contain_text("nothing entered yet")
    record("/v1/outcomes", {"pack_id": van, "time": "2026-03-13T07:20:00Z", "kind": "returned"})
    page.reload()
    expect(rows.filter(has_text=van)).to_contain_text("the fault came back Fri 13 Mar")
    sound(page, "bench-list")
    page.goto(f"{site.url}/bench?unit=MB-7")
    expect(page.locator(".units > li")).to_contain_text(van)


def test_the_label_in_a_car_leads_to_the_pack_that_sits_in_it_now(site, van, record, phone_page):
    """Printed once, it went on opening the page of the old pack; so did the car's number, typed at the bench."""
    phone_page.goto(f"{site.url}/bench/units/{van}/label")
    code = phone_page.get_by_role("img", name=re.compile("vehicles"))
    opens = code.get_attribute("aria-label").removeprefix("Code that opens ")
    httpx.post(
        f"{site.url}/v1/vehicles/{van}/pack",
        json={"pack_id": "MB-P-0815", "family": "gravel-14", "at": "2026-03-13T07:20:00Z", "old_became": "returned"},
    ).raise_for_status()
    phone_page.goto(opens)
    expect(phone_page).to_have_url(f"{site.url}/bench/units/MB-P-0815")
    # The number is the car's and still the old pack's: both are shown.
    phone_page.goto(f"{site.url}/bench?unit={van}")
    expect(phone_page.locator(".units > li")).to_have_count(2)
    expect(phone_page.locator(".units > li").filter(has_text="pack MB-P-0815")).to_contain_text(van)
    phone_page.goto(f"{site.url}/bench/vehicles/MB-VAN-00")
    expect(phone_page.locator("h1")).to_have_text("Which unit is on the bench?")
