"""What is pressed twice, in two tabs or after going back is recorded once, and said so."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import pytest
from playwright.sync_api import expect

from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)


@pytest.fixture
def case(site, read_van, record) -> str:
    """A case with a forecast, an offer and the costs stated; returns its page at the counter."""
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/costs", COSTS.example)
    record("/v1/offers", {**OFFERS.example, "family": "gravel-14"})
    record(f"/v1/packs/{read_van}/forecasts", {"at": NOW.isoformat()})
    return f"{site.url}/parts/cases/{read_van}"


def items(site, what: str) -> list:
    return httpx.get(f"{site.url}/v1/{what}", timeout=60).json()["items"]


def tabs(context, address: str):
    """Open an address in two tabs."""
    pair = context.new_page(), context.new_page()
    for page in pair:
        page.goto(address)
    return pair


def test_one_pack_is_ordered_from_two_tabs(site, case, open_context):
    """The second tab still offered it, and a second pack was put down as ordered."""
    one, other = tabs(open_context("office"), case)
    one.locator(".offer button").first.dblclick()
    expect(one.get_by_role("status")).to_contain_text("Recorded as ordered today")
    other.locator(".offer button").first.click()
    expect(other.get_by_role("status")).to_contain_text("ordered already, from north-quay on Sat 14 Mar 2026")
    assert len(items(site, "deliveries")) == 1


def test_an_arrival_keeps_the_day_it_was_noted_first(site, case, open_context):
    context = open_context("office")
    page = context.new_page()
    page.goto(case)
    page.locator(".offer button").first.click()
    expect(page.get_by_role("status")).to_contain_text("Recorded as ordered today")
    (order,) = items(site, "deliveries")  # one that comes on the day of its order is asked about
    sooner = {"ordered_at": (NOW - timedelta(days=8)).isoformat()}
    httpx.patch(f"{site.url}/v1/deliveries/{order['id']}", json=sooner).raise_for_status()
    one, other = tabs(context, f"{site.url}/parts/suppliers")
    one.get_by_role("button", name="It has arrived").click()
    expect(one.get_by_role("status")).to_contain_text("Recorded as arrived.")
    (before,) = items(site, "deliveries")
    site.app.state.clock = lambda: NOW + timedelta(hours=2)
    other.get_by_role("button", name="It has arrived").click()
    expect(other.get_by_role("status")).to_contain_text("It was noted already that it came on Sat 14 Mar 2026.")
    assert items(site, "deliveries") == [before]


def test_a_return_is_noted_once_from_two_tabs(site, read_van, open_context):
    one, other = tabs(open_context("phone"), f"{site.url}/bench/units/{read_van}")
    one.get_by_role("button", name="The fault is back, as of now").dblclick()
    expect(one.get_by_text("The fault came back, Sat 14 Mar 2026.")).to_be_visible()
    site.app.state.clock = lambda: NOW + timedelta(minutes=20)
    other.get_by_role("button", name="The fault is back, as of now").click()
    expect(other.get_by_role("status")).to_contain_text("It is noted already")
    assert len(items(site, "outcomes")) == 1


def test_a_top_up_of_the_moment_of_the_return_is_asked_about(site, read_van, phone_page, sound):
    """Entered in one go afterwards, it counted as the one that is over, and nobody was told."""
    page = phone_page
    page.goto(f"{site.url}/bench/units/{read_van}")
    page.get_by_role("button", name="The fault is back, as of now").click()
    expect(page.get_by_text("The last top-up is over.")).to_be_visible()
    expect(page.locator("#same-moment")).to_have_count(0)
    page.get_by_role("link", name="Enter the top-up").click()
    page.get_by_label("Blocks charged").fill("5")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#same-moment")).to_contain_text("if it came after, correct its time below")
    sound(page, "same-moment")


def test_a_car_saved_twice_is_stored_once(site, open_tab):
    page = open_tab("phone")
    page.goto(f"{site.url}/bench/add?unit=MB-CAB-09")
    page.get_by_label("Kind of pack").select_option("gravel-14")
    page.get_by_label("Blocks charged").fill("5")
    page.get_by_label("How long ago the charge ended").fill("1")
    page.get_by_role("button", name="Save").dblclick()
    expect(page.locator("h1")).to_have_text("MB-CAB-09")
    page.go_back()
    expect(page.locator("h1")).to_have_text("A new car")
    page.get_by_label("Kind of pack").select_option("gravel-14")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#faults")).to_contain_text("There is a pack MB-CAB-09 already.")
    assert len(items(site, "topups")) == 1
